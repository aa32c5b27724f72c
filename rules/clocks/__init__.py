"""A film's countdowns and stages, from what people did and what temperatures are known.

Door: `all_clocks.py`. May import: rules, rules.spec.
"""
