"""Psychrometrics of humid air: saturation, dew and frost point, wet bulb, and how sure they are.

Door: `state.py`. May import: rules.
"""
