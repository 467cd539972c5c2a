"""A plan as a person left it: read, compared with what was written, repaired, and started from.

``earlier_plan.earlier_plan`` reads it as an ``earlier_plan.EarlierPlan``, whose edits
``lost_edits.refuse_losing_edits`` refuses to overwrite; ``start_from.StartFrom`` is where ``--from`` begins, with
layers as ``repair`` makes them fit. ``reshaped_wire`` is the one layer that is an input of the step that writes it.
``written_records`` say what was written and what was touched since, with ``change_record`` as digests;
``lenient_rows.LenientLayer`` reads rows as they were left.
"""
