"""What was laid against what was planned: the record of where the wire lies, and where to dig for a fault.

``tracks.read_track`` reads a walk along the wire, ``reconcile.reconciled`` compares it with the plan as
``laid_wire.ReconcileOptions`` say, and ``reconcile.write_record`` writes the record into ``layers.RECORD``;
``faults.fault_words`` says from that record where a break is.
"""
