"""The running program: joins `sensors` and `rules`, keeps the log, and tells people and the broker."""

__version__ = "0.1.0"
