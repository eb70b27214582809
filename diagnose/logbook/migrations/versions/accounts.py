"""0005: accounts, sessions, tokens, and the list of sign-ins."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "accounts",
        sa.Column("key", sa.Text, primary_key=True),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("name", "role", "password")),
        sa.Column("disabled", sa.Integer, nullable=False),
        sa.Column("made_at", sa.Double, nullable=False),
    )
    op.create_table(
        "sessions",
        sa.Column("digest", sa.Text, primary_key=True),
        sa.Column("account", sa.Text, nullable=False),
        *(sa.Column(name, sa.Double, nullable=False) for name in ("made_at", "ends_at")),
    )
    op.create_index("sessions_account", "sessions", ["account"])
    op.create_table(
        "tokens",
        sa.Column("digest", sa.Text, primary_key=True),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("account", "label", "role")),
        *(sa.Column(name, sa.Double, nullable=False) for name in ("made_at", "ends_at")),
        sa.UniqueConstraint("account", "label", name="tokens_account_label"),
    )
    op.create_table(
        "sign_ins",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("at", sa.Double, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("account", "address", "result")),
    )
    op.create_index("sign_ins_at", "sign_ins", ["at"])
