"""The steps and commands in the toolbox of a desktop GIS.

``writing.write_plugin`` writes a plug-in for it: the files in `plugin/`, which run inside the GIS and import nothing of ours,
with the descriptions of all processes and the command of this environment beside them.
"""
