"""The look back as text, JSON and paper.

Door: `review.py`. May import: monitor, monitor.config, monitor.log, rules, rules.clocks,
rules.review, rules.spec, sensors.
"""
