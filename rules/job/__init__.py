"""The whole work on one boat laid out in time: its model, its plan, what it takes, its season.

Door: `plan.py`. May import: rules, rules.air, rules.batch, rules.clocks, rules.outlook, rules.spec.
"""
