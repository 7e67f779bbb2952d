"""Time columns of the source tables: UTC microseconds within plausible years."""

import datetime as dt

import dataframely as dy

EARLIEST = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
LATEST = dt.datetime(2100, 1, 1, tzinfo=dt.UTC)


def moment(*, primary_key: bool = False, nullable: bool = False) -> dy.Datetime:
    """Return a time column of a source table.

    Args:
        primary_key: the column is part of the key.
        nullable: a row may lack the time.
    """
    return dy.Datetime(
        primary_key=primary_key, nullable=nullable, time_zone="UTC", time_unit="us", min=EARLIEST, max=LATEST
    )
