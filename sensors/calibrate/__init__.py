"""What a probe's own error is, and the references it is found against.

Door: `fit.py`. May import: rules, sensors.
"""
