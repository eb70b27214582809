"""0004: confirmed root causes counted as they come, so that looking costs nothing."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "tallies",
        sa.Column("cause", sa.Text, primary_key=True),
        sa.Column("zone", sa.Text, primary_key=True),
        sa.Column("count", sa.Integer, nullable=False),
    )
