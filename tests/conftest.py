"""What holds for every test: no generated example fails because the machine was slow, and what
waits for brokers, browsers and databases begins first, so that no process waits alone at the end.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

# Hypothesis fails an example that takes over 200 ms, which a small or busy board does now and then.
settings.register_profile("filmcall", deadline=None)
settings.load_profile("filmcall")

_WAITING = ("system", "trials20")


def pytest_configure(config: pytest.Config) -> None:
    """Let several processes take the files in our order, not those of many tests first."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the folders first whose tests mostly wait."""
    here = Path(__file__).parent
    items.sort(key=lambda item: not any(here / name in item.path.parents for name in _WAITING))
