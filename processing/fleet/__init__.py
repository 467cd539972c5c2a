"""Which mower fits which lawn, and which crew lays it when.

``planned_parcels.planned_portfolio`` reads what the parcels of a plan ask of mowers, ``mower_choice.comparison``
compares mowers with them, ``choice_tables`` tabulate that; ``mower_choice.mower_offer`` describes one
mower; ``crew_days.crew_days`` groups parcels into days of laying.
"""
