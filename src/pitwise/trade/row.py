"""What every row of a trade sheet shares: the parts' slugs, texts, and a named source."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, StringConstraints

PART_SLUGS = (
    "shield-cap",
    "shield",
    "retaining-cap",
    "nozzle",
    "swirl-ring",
    "electrode",
    "coolant-tube",
    "torch-head",
)
PartSlug = Literal[
    "shield-cap",
    "shield",
    "retaining-cap",
    "nozzle",
    "swirl-ring",
    "electrode",
    "coolant-tube",
    "torch-head",
]

Slug = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=400)]


class Row(BaseModel):
    """A row of a trade sheet: never changed, no unknown field, always with its source."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    source: Text
