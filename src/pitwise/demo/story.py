"""Troubles of the made-up shop: what ate its parts, how it was found, and whether it was cured.

Everything is told through the services, as people would. Times are shares of the simulated
time, so that a shorter demo has the same story.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from random import Random

from pitwise.services import case_closing, case_recording, cases, ranges
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop


@dataclass(frozen=True)
class Trouble:
    """One trouble on one torch.

    Attributes
    ----------
    torch : str
    begins, opened, ends : float
        Shares of the simulated time: from when parts wear faster, when a case is opened,
        and when it is cured and closed (above 1: still open at the end).
    faster : float
        How much faster pits grow meanwhile.
    looks : tuple of (part, finding, chance)
        What inspections show meanwhile.
    complaint : str
    checks : tuple of (check, results)
        Recorded when the case is opened; what is not named is clear.
    readings : tuple of (reading, value, unit)
    cause, certainty, remedy, note : str
    done_by : str
    """

    torch: str
    begins: float
    opened: float
    ends: float
    faster: float
    looks: tuple[tuple[str, str, float], ...]
    complaint: str
    checks: tuple[tuple[str, Mapping[str, str]], ...]
    readings: tuple[tuple[str, str, str], ...]
    cause: str
    certainty: str
    remedy: str
    note: str
    done_by: str = ""


_WET = (("nozzle", "soot", 0.8), ("electrode", "pit-ragged", 0.5), ("electrode", "soot", 0.4))
_HOT = (("electrode", "heat-blued", 0.85), ("nozzle", "heat-blued", 0.5))

TROUBLES: tuple[Trouble, ...] = (
    Trouble(
        "North 1",
        0.06,
        0.22,
        0.26,
        1.9,
        _HOT,
        "Electrodes last half as long as they did",
        (("K_flow", {"W_filter": "seen", "W_flow": "none", "W_hot": "none"}),),
        (("coolant_flow", "2.7", "l/min"), ("coolant_return", "47", "°C")),
        "cool_low",
        "verified",
        "coolant-filter",
        "The filter was black; flow is back at 5.4 l/min",
    ),
    Trouble(
        "South 1",
        0.14,
        0.26,
        0.30,
        1.7,
        _WET,
        "Black nozzles, ragged pits, more misfires than usual",
        (("K_cloth", {"G_water": "seen"}),),
        (),
        "gas_wet",
        "went-away",
        "gas-dry",
        "Traps drained and the line purged; the soot was gone a week later",
    ),
    Trouble(
        "South 1",
        0.36,
        0.50,
        0.54,
        1.7,
        _WET,
        "Soot in the nozzle again",
        (("K_cloth", {"G_water": "seen"}), ("K_log", {"R_misfire": "slight"})),
        (("dew_point", "9", "°C"),),
        "gas_wet",
        "verified",
        "gas-dryer",
        "The dryer had stopped; mended, dew point is at -22 °C",
        "Tamsin Rook, lead",
    ),
    Trouble(
        "South 2",
        0.38,
        0.54,
        0.58,
        2.0,
        (
            ("shield", "spatter-attached", 0.9),
            ("nozzle", "spatter-attached", 0.5),
            ("nozzle", "orifice-nicked", 0.3),
        ),
        "Shields full of spatter within a day",
        (("K_height", {"P_plow": "seen"}),),
        (),
        "pierce_low",
        "verified",
        "pierce-higher",
        "Pierce height had been entered for thinner plate",
    ),
    Trouble(
        "North 1",
        0.56,
        0.70,
        0.74,
        2.0,
        (
            ("coolant-tube", "worn-tip", 1.0),
            ("electrode", "heat-blued", 0.6),
        ),
        "Electrodes blue and eaten up again, though the filter is new",
        (("K_flow", {"W_flow": "none", "W_hot": "none"}),),
        (("coolant_flow", "5.2", "l/min"),),
        "tube_bad",
        "verified",
        "tube-refit",
        "The tube's end was worn slanted; a new one was fitted",
    ),
    Trouble(
        "North 1",
        0.94,
        0.97,
        2.0,
        1.8,
        (
            ("electrode", "pit-ragged", 0.9),
            ("nozzle", "bore-arc-marks", 0.4),
        ),
        "Nozzles gone before their time since the new supply line",
        (("K_flow", {"W_flow": "none", "W_hot": "none"}),),
        (("coolant_flow", "5.3", "l/min"), ("coolant_return", "33", "°C")),
        "gas_low",
        "verified",
        "pressure-restore",
        "",
    ),
)

_RANGES = (
    ("coolant_flow", "4", "", "l/min"),
    ("coolant_return", "", "40", "°C"),
    ("coolant_conductivity", "", "100", "µS/cm"),
    ("gas_flowing", "4.5", "7", "bar"),
)


def set_ranges(shop: Shop, lead: Actor, station_id: int) -> None:
    """Set the ranges of one station's readings."""
    for reading, low, high, unit in _RANGES:
        ranges.set_range(
            shop,
            lead,
            station_id,
            reading,
            low=low,
            high=high,
            unit=unit,
            reason="demo: as if from the equipment's manual",
        )


@dataclass
class Story:
    """The troubles as they run: what is open, and what was closed."""

    random: Random
    troubles: tuple[Trouble, ...] = TROUBLES
    _open: dict[int, int] = field(default_factory=dict)
    _over: set[int] = field(default_factory=set)

    def _now(self, torch: str, share: float) -> list[tuple[int, Trouble]]:
        return [
            (k, t)
            for k, t in enumerate(self.troubles)
            if t.torch == torch and k not in self._over and t.begins <= share
        ]

    def faster(self, torch: str, share: float) -> float:
        """Return how much faster pits of a torch grow now."""
        return max((t.faster for _, t in self._now(torch, share)), default=1.0)

    def seen(self, torch: str, share: float) -> list[tuple[str, str]]:
        """Draw what an inspection of a torch shows of its trouble."""
        return [
            (part, finding)
            for _, t in self._now(torch, share)
            for part, finding, chance in t.looks
            if self.random.random() < chance
        ]

    def after_inspection(
        self,
        shop: Shop,
        actor: Actor,
        torch: str,
        torch_id: int,
        share: float,
        wait: Callable[[float], None],
        key: str,
    ) -> None:
        """Open the case of a trouble when its time has come, or cure and close it.

        Parameters
        ----------
        shop, actor
        torch, torch_id
        share : float
            Of the simulated time.
        wait : callable
            Lets so many minutes pass.
        key : str
            Makes the submissions' keys.
        """
        for number, trouble in self._now(torch, share):
            if number not in self._open and share >= trouble.opened:
                wait(5)
                self._open[number] = cases.open_case(
                    shop, actor, torch_id, key=f"{key}-case", complaint=trouble.complaint
                )
                _look(shop, actor, self._open[number], trouble, wait, key)
            elif number in self._open and share >= trouble.ends:
                wait(30)
                case_closing.close_case(
                    shop,
                    actor,
                    self._open[number],
                    key=f"{key}-close",
                    causes=[trouble.cause],
                    certainty=trouble.certainty,
                    remedies=[trouble.remedy],
                    note=trouble.note,
                    done_by=trouble.done_by,
                )
                self._over.add(number)


def _look(
    shop: Shop,
    actor: Actor,
    case: int,
    trouble: Trouble,
    wait: Callable[[float], None],
    key: str,
) -> None:
    """Record the checks and readings of a trouble."""
    for k, (check, results) in enumerate(trouble.checks):
        wait(6)
        case_recording.record_check(
            shop, actor, case, check, key=f"{key}-check{k}", results=results, clear=True
        )
    for k, (reading, value, unit) in enumerate(trouble.readings):
        wait(1)
        case_recording.record_reading(shop, actor, case, reading, value, unit, key=f"{key}-read{k}")
