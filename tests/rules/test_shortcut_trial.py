"""The shortcut of `Section.evaluate` against sections that judge every evaluation whole.

Nothing of what lets an evaluation pass is known here: sections with it and without go through one
hostile course, and all that can be seen of them must be the same. The long trials are
the mains of `shortcut_trial` and `shortcut_replays`.
"""

from __future__ import annotations

from typing import Any

import pytest
import shortcut_trial
from shortcut_replays import compared
from shortcut_trial import SHORT, trial

_SEEDS, _EVALUATIONS = range(16), 150


def test_a_hostile_course_looks_the_same_with_the_shortcut() -> None:
    found = trial(_SEEDS, _EVALUATIONS)
    assert found.differences == ()
    # The shortcut is worth a trial only where it is taken, and out of every call.
    assert found.passed > 0.1 * found.evaluations
    assert set(found.calls) == {"GO", "HOLD", "STOP"}


def test_a_recording_leaves_the_same_words_and_the_same_log_with_the_shortcut() -> None:
    found, whole, short = compared(2, 1.0)
    assert not found
    assert short.judged < whole.judged == whole.evaluations


def _late(*args: Any) -> Any:
    """Return a shortcut that overlooks for half a minute what time alone changes."""
    return SHORT(*args[:3], args[3] + 30.0, *args[4:])


class _Deaf:
    """A shortcut that hears no value, though it sees which are believed."""

    def __init__(self, quiet: Any) -> None:
        object.__setattr__(self, "_quiet", quiet)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._quiet, name)

    def __setattr__(self, name: str, value: object) -> None:
        setattr(self._quiet, name, value)

    def fits(self, sensed: Any, *_: object) -> bool:
        return all(each.quality == "ok" for each in sensed)


def _deaf(*args: Any) -> Any:
    quiet = SHORT(*args)
    return None if quiet is None else _Deaf(quiet)


@pytest.mark.parametrize("spoiled", [_late, _deaf])
def test_the_trial_sees_a_shortcut_that_overlooks_something(
    monkeypatch: pytest.MonkeyPatch, spoiled: Any
) -> None:
    monkeypatch.setattr(shortcut_trial, "SHORT", spoiled)
    assert len(trial(range(6), _EVALUATIONS).differences) >= 2
