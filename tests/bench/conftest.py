"""Scripts that import their neighbours are run, not collected."""

collect_ignore = ["doubles.py", "pairs.py"]
