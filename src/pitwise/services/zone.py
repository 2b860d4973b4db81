"""The shop's own time zone, where one is named."""

from __future__ import annotations

import datetime as dt
import os
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pitwise.services.errors import ServiceError


def named_zone() -> dt.tzinfo | None:
    """Return the zone PITWISE_TIMEZONE names, None when it names none.

    This machine's own zone is not taken: for reading times that others wrote it is a guess.

    Raises
    ------
    ServiceError
        It names no zone there is.
    """
    name = os.environ.get("PITWISE_TIMEZONE")
    if not name:
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ServiceError(
            "PITWISE_TIMEZONE", f"'{name[:60]}' is no time zone", "write one such as Europe/Lisbon"
        ) from error
