"""What holds for every test: no generated example fails because the machine was slow."""

from __future__ import annotations

from hypothesis import settings

# Hypothesis fails an example that takes over 200 ms, which a small or busy board does now and then.
settings.register_profile("filmcall", deadline=None)
settings.load_profile("filmcall")
