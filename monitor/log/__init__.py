"""The log: one SQLite file that keeps readings, calls and events, and shows what was changed in it.

Door: `log.Store`; the file's tables stand in `schema`. May import `rules`, `sensors` and, for
`facts` and `files`, `monitor.config`, `monitor.specs` and `monitor.wire`.
"""
