"""The screen: one enclosure's snapshot drawn in a theme, and the keys that record what people do.

Door: `layout.render`, snapshot and size in, lines out. `terminal` puts them on a real terminal.
May import `rules`, `sensors.reading` and `monitor.snapshot`; no log, broker or loop.
"""
