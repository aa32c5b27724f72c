"""How much to mix, in how many batches, and how fast a painter uses it.

Door: `plan.py`. May import: rules, rules.clocks, rules.spec.
"""
