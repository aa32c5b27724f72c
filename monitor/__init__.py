"""The running program: joins `sensors` and `rules`, keeps the log, tells people and broker."""

__version__ = "0.1.0"
