"""Whether a plausible value may be believed, by its channel's own record and by its neighbours.

Door: `judge.py`. May import: sensors.
"""
