"""One file a step; Alembic finds them by their place."""
