"""The look back over a log: what became of each coat, and what may have spoiled it.

Door: `causes`, the verdict on a defect. Its list of defects is data, `defects.toml`. It imports
of `rules` only; `monitor.review` reads log and list for it.
"""
