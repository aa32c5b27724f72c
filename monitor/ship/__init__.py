"""The shipped copy: a log's changes into one PostgreSQL, and a log laid out of it again.

Door: `ship.py`. The database's tables stand in `sql`. May import: monitor.log, rules.
"""
