"""Scripts that import their neighbours are run, not collected."""

collect_ignore = ["doubles.py", "history.py", "kill.py", "learning.py", "pairs.py"]
