"""Two plans of the same parcels side by side.

``comparison.compared_plan`` opens a plan, ``comparison.Comparison`` holds two of them and what differs by more than
``differences.Tolerances``, and writes it as a table and as layers.
"""
