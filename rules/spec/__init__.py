"""A coating's limits and times: the form of its file, read and checked.

Door: `model.py`. May import: rules.
"""
