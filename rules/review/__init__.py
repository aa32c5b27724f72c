"""The look back over a log: what became of each coat, and what may have spoiled it.

Door: `causes.py`. Its list of defects is data, `defects.toml`. May import: rules, rules.air,
rules.clocks, rules.spec.
"""
