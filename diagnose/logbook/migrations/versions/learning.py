"""0003: what learning and looking need: exposure, and what the ranking said."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the columns and the table."""
    op.create_table(
        "exposures",
        sa.Column("id", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("asset", sa.Text, nullable=False),
        sa.Column("profile", sa.Text, nullable=False),
        *(sa.Column(name, sa.Double, nullable=False) for name in ("begins_at", "ends_at", "days")),
    )
    op.create_index("exposures_profile", "exposures", ["profile", "asset"])
    for name in ("first", "last"):
        cause = sa.Column(f"{name}_cause", sa.Text, nullable=False, server_default="")
        op.add_column("work_ups", cause)
        op.add_column("work_ups", sa.Column(f"{name}_chance", sa.Double))
    op.create_index("work_ups_confirmed", "work_ups", ["confirmed_at"])
