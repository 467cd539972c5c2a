"""The plan on other maps: a parcel planned on versions of its data, and what that tells of its decisions and figures.

Modules that other rooms use: ``judgement.judged_by_draws``.
"""
