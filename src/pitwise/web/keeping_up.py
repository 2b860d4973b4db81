"""After a signature: score, forecast and fit again, while nobody waits for it."""

from __future__ import annotations

import logging
import threading

from pitwise.services.forecasts import keep_up
from pitwise.services.shopfloor import Shop

_log = logging.getLogger(__name__)


class KeepingUp:
    """Keeps one shop's forecasts up; signatures that come meanwhile are one more round.

    Parameters
    ----------
    shop : Shop
    """

    def __init__(self, shop: Shop) -> None:
        self._shop = shop
        self._lock = threading.Lock()
        self._running = self._again = False

    def after_signing(self) -> None:
        """Do it now, or have whoever is doing it do it once more."""
        with self._lock:
            if self._running:
                self._again = True
                return
            self._running = True
        while True:
            try:
                keep_up(self._shop)
            except Exception:  # noqa: BLE001 -- the signature stands; what failed is logged whole
                _log.exception(
                    "Forecasts were not brought up to date after a signature. The record "
                    "stands; the next signature tries again, or 'Fit again' on the Wear page."
                )
            with self._lock:
                if not self._again:
                    self._running = False
                    return
                self._again = False
