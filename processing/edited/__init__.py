"""A plan as a person left it: read, compared with what was written, repaired, and started from.

``earlier_plan.earlier_plan`` reads it as an ``earlier_plan.EarlierPlan``, whose edits are ``change_record.LayerEdit``;
``start_from.Beginning`` is where ``--from`` begins, with layers as ``repair`` makes them fit.
"""
