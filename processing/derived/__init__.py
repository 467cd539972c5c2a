"""What several steps derive from the same layers, and each decision about a lawn, once.

Of the ground: ``wheel_slope``, ``measured_slopes``, ``zone_figures``, ``paving``, ``outline_accuracy`` and, from the
air, ``imagery_rules``. Of the wire: ``loops``, ``leads``, ``drawn_wire``, ``wire_checks``, ``detached_supply`` and
``cable_routing``. Of the mower: ``coverage`` and ``mowing_windows``. Of a place: ``exposure``.
"""
