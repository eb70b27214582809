"""The tables of the logbook as they are now; ``migrations`` leads older ones here.

``events`` is the record and only grows. Those of READ_MODELS are made from the events, written in
the same transaction, and made again by ``rebuild``. The last four hold who may use the server; of
passwords, sessions and tokens they hold only digests.
"""

from __future__ import annotations

import sqlalchemy as sa

REVISION = "0005"  # the newest migration, which these tables are the result of

metadata = sa.MetaData()

events = sa.Table(
    "events",
    metadata,
    sa.Column("id", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("stream", sa.Text, nullable=False),
    sa.Column("seq", sa.Integer, nullable=False),
    sa.Column("line", sa.Integer),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("actor", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("knowledge", sa.Text, nullable=False),
    sa.Column("told", sa.Text, nullable=False),
    sa.Column("before", sa.Text, nullable=False),
    sa.Column("stream_before", sa.Text, nullable=False),
    sa.Column("digest", sa.Text, nullable=False),
    sa.UniqueConstraint("stream", "seq", name="events_stream_seq"),
    sa.UniqueConstraint("stream", "line", name="events_stream_line"),
    sa.Index("events_kind", "kind", "id"),
)

head = sa.Table(
    "head",
    metadata,
    sa.Column("one", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("count", sa.BigInteger, nullable=False),
    sa.Column("digest", sa.Text, nullable=False),
)

streams = sa.Table(
    "streams",
    metadata,
    sa.Column("stream", sa.Text, primary_key=True),
    sa.Column("seq", sa.Integer, nullable=False),
    sa.Column("digest", sa.Text, nullable=False),
    sa.Column("lines", sa.Integer, nullable=False),  # taken in from its record so far
)

work_ups = sa.Table(
    "work_ups",
    metadata,
    sa.Column("stream", sa.Text, primary_key=True),
    sa.Column("asset", sa.Text, nullable=False),
    sa.Column("profile", sa.Text, nullable=False),
    sa.Column("failed", sa.Text, nullable=False),
    sa.Column("zone", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("knowledge", sa.Text, nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("disposition", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("opened_at", sa.Double, nullable=False),
    sa.Column("closed_at", sa.Double),
    sa.Column("handed_at", sa.Double),
    sa.Column("confirmed_at", sa.Double),
    sa.Column("returned_at", sa.Double),
    sa.Column("first_cause", sa.Text, nullable=False),
    sa.Column("first_chance", sa.Double),
    sa.Column("last_cause", sa.Text, nullable=False),
    sa.Column("last_chance", sa.Double),
    sa.Column("no_fault", sa.Integer, nullable=False),
    sa.Column("minutes", sa.Double),
    sa.Column("downtime", sa.Double),
    sa.Index("work_ups_state", "state", "closed_at"),
    sa.Index("work_ups_asset", "asset", "opened_at"),
    sa.Index("work_ups_confirmed", "confirmed_at"),
)

causes = sa.Table(
    "causes",
    metadata,
    sa.Column("stream", sa.Text, primary_key=True),
    sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("cause", sa.Text, nullable=False),  # "" where it is told in words only
    sa.Column("words", sa.Text, nullable=False),
    sa.Column("origin", sa.Text, nullable=False),
    sa.Column("at", sa.Double, nullable=False),
    sa.Column("profile", sa.Text, nullable=False),
    sa.Column("asset", sa.Text, nullable=False),
    sa.Column("zone", sa.Text, nullable=False),
    sa.Index("causes_cause", "cause", "zone", "profile", "at"),
    sa.Index("causes_at", "at"),
)

exposures = sa.Table(
    "exposures",
    metadata,
    sa.Column("id", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("asset", sa.Text, nullable=False),
    sa.Column("profile", sa.Text, nullable=False),
    sa.Column("begins_at", sa.Double, nullable=False),
    sa.Column("ends_at", sa.Double, nullable=False),
    sa.Column("days", sa.Double, nullable=False),
    sa.Index("exposures_profile", "profile", "asset"),
)

tallies = sa.Table(
    "tallies",
    metadata,
    sa.Column("cause", sa.Text, primary_key=True),
    sa.Column("zone", sa.Text, primary_key=True),
    sa.Column("count", sa.Integer, nullable=False),
)

accounts = sa.Table(
    "accounts",
    metadata,
    sa.Column("key", sa.Text, primary_key=True),  # the name, small and large letters alike
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("password", sa.Text, nullable=False),  # argon2
    sa.Column("disabled", sa.Integer, nullable=False),
    sa.Column("made_at", sa.Double, nullable=False),
)

sessions = sa.Table(
    "sessions",
    metadata,
    sa.Column("digest", sa.Text, primary_key=True),
    sa.Column("account", sa.Text, nullable=False),
    sa.Column("made_at", sa.Double, nullable=False),
    sa.Column("ends_at", sa.Double, nullable=False),
    sa.Index("sessions_account", "account"),
)

tokens = sa.Table(
    "tokens",
    metadata,
    sa.Column("digest", sa.Text, primary_key=True),
    sa.Column("account", sa.Text, nullable=False),
    sa.Column("label", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("made_at", sa.Double, nullable=False),
    sa.Column("ends_at", sa.Double, nullable=False),
    sa.UniqueConstraint("account", "label", name="tokens_account_label"),
)

sign_ins = sa.Table(
    "sign_ins",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("at", sa.Double, nullable=False),
    sa.Column("account", sa.Text, nullable=False),  # "" where the name is nobody's
    sa.Column("address", sa.Text, nullable=False),  # "terminal" for the command line
    sa.Column("result", sa.Text, nullable=False),
    sa.Index("sign_ins_at", "at"),
)

READ_MODELS = (streams, work_ups, causes, exposures, tallies)
