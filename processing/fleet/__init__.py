"""Which mower fits which lawn, and which crew lays it when.

``mower_choice.comparison`` compares mowers with the parcels of a plan, ``mower_choice.mower_offer`` describes one
mower; ``crew_days.crew_days`` groups parcels into days of laying.
"""
