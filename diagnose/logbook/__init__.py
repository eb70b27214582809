"""The logbook: every event of every work-up in one append-only table, chained by digests."""
