"""Which mower fits which lawn, and which crew lays it when.

``planned_parcels`` tells what the parcels of a plan ask of mowers: ``planned_parcels.planned_portfolio`` of a whole
file, ``planned_parcels.planned_parcel`` of one parcel. ``mower_choice.smallest_mower`` names the smallest that fits
one, ``mower_choice.comparison`` compares mowers with all, ``choice_tables`` tabulate that; ``crew_days.crew_days``
groups parcels into days of laying.
"""
