"""What several steps derive from the same layers, and each decision about a lawn, once.

Decisions, for what was derived, measured or edited alike: ``decisions`` (passages, zones and their supply, setbacks),
``detached_supply``, ``slope`` (what is too steep), ``slope_readings``, ``dock_places`` (where a dock may stand) and
``dock_choice`` (which of these is the best), ``dock_chords`` (a straight where there is none); ``slope_checks``,
``dock_doubt`` and ``edge_heights`` say what is measured of ground, docks and edges, ``matching`` which feature a
measured fact is about. Of the ground: ``paving``, ``outline_accuracy``, ``outline_features`` (which feature an
outline follows), ``placed_links``, ``passages``, ``border_crossings``, ``passage_checks``, ``measured_passages``,
``drops`` and, from the air, ``imagery_rules`` and ``lawn_doubt``. Of the wire: ``loops``, ``unheard_ground``,
``wire_checks`` and ``cable_routing``; of what may be otherwise: ``doubt`` (what is looked at), ``outline_spread``,
``edge_doubt``, ``zone_area``, ``trunk_doubt``, ``wire_doubt``, ``link_doubt``, ``reach_doubt``, ``supply_doubt``,
``cable_doubt``, ``ground_doubt`` and ``spread`` (of wire and price). Of the mower: ``coverage``, ``mower_demands``
(what a plan asks of mowers), ``lawn_division`` (among several) and ``mowing_windows``. Of a place: ``exposure`` and
``standing_ground``. Of the whole plan: ``knowledge`` (what it rests on, what no layer tells), ``readiness``,
``verdict`` and ``plan_cost`` (material and work); ``price_parameters`` name the price book. Of the day of laying:
``laying_order`` (wire as hands lay it) and ``laying_hours``; of the walk around: ``watch_points`` and ``moved_wire``.
"""
