"""The steps and commands for other programs: in the toolbox of a desktop GIS, and behind a server.

``writing.write_plugin`` writes a plug-in for the GIS: the files in `plugin/`, which run inside it and import nothing of
ours, with the descriptions of all processes and the command of this environment beside them. ``serving.serve`` serves
processes and the layers of a plan by an existing server, which loads the modules in `server/` as its plug-ins.
"""
