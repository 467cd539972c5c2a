"""Steps of a plan, one module each, and the order in which they run.

``workflow.installed_steps`` are all steps in their order, ``workflow.planned`` runs them on a site with
``workflow.Settings``, from a ``workflow.Start`` if not from the first; ``workflow.planned_alone`` runs one. The week's
plan for another mower is asked of ``schedule``, the price book of an edited plan's zones of ``zones``.
"""
