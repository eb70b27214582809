"""0001: the record itself: events, their head, the heads of the streams."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "events",
        sa.Column("id", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("stream", sa.Text, nullable=False),
        sa.Column("seq", sa.Integer, nullable=False),
        sa.Column("line", sa.Integer),
        *(sa.Column(name, sa.Text, nullable=False) for name in (
            "at", "actor", "kind", "knowledge", "told", "before", "stream_before", "digest")),
        sa.UniqueConstraint("stream", "seq", name="events_stream_seq"),
        sa.UniqueConstraint("stream", "line", name="events_stream_line"),
    )  # fmt: skip
    op.create_index("events_kind", "events", ["kind", "id"])
    head = op.create_table(
        "head",
        sa.Column("one", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("count", sa.BigInteger, nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
    )
    op.bulk_insert(head, [{"one": 1, "count": 0, "digest": "0" * 64}])
    op.create_table(
        "streams",
        sa.Column("stream", sa.Text, primary_key=True),
        sa.Column("seq", sa.Integer, nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("lines", sa.Integer, nullable=False),
    )
