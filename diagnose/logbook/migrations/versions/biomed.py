"""0002: read models of biomed: work-ups as they stand, and their confirmed root causes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "work_ups",
        sa.Column("stream", sa.Text, primary_key=True),
        *(sa.Column(name, sa.Text, nullable=False) for name in (
            "asset", "profile", "failed", "zone", "who", "knowledge", "state", "disposition",
            "reason")),
        sa.Column("opened_at", sa.Double, nullable=False),
        *(sa.Column(name, sa.Double) for name in (
            "closed_at", "handed_at", "confirmed_at", "returned_at", "minutes", "downtime")),
        sa.Column("no_fault", sa.Integer, nullable=False),
    )  # fmt: skip
    op.create_index("work_ups_state", "work_ups", ["state", "closed_at"])
    op.create_index("work_ups_asset", "work_ups", ["asset", "opened_at"])
    op.create_table(
        "causes",
        sa.Column("stream", sa.Text, primary_key=True),
        sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("cause", "words", "origin")),
        sa.Column("at", sa.Double, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("profile", "asset", "zone")),
    )
    op.create_index("causes_cause", "causes", ["cause", "zone", "profile", "at"])
    op.create_index("causes_at", "causes", ["at"])
