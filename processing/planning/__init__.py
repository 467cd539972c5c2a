"""Many parcels planned by many workers: tasks, limits, stored parcels, and the file in the end.

``run.PlanningRun`` plans the parcels of a site and writes the plan: with workers as ``run.WorkerOptions`` say, within
``limits.Limits`` for each parcel, by ``run_settings``, and from what ``base_plan.base_plan`` says is built on.
``plan_writer.run_info`` are facts of the run, ``progress`` and ``ranking`` print and tabulate the outcomes,
``interrupt.InterruptedRunError`` is what a person's Ctrl-C raises. ``single_step`` runs one step alone.
"""
