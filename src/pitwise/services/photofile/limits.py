"""What a photo may be, in one place, and the refusal of one that is something else.

The figures are choices of this project: common practice for sizes, no source.
"""

from __future__ import annotations

MAX_UPLOAD = 25 << 20
"""Bytes of a photo as sent."""
MAX_STORED = 40 << 20
"""Bytes of a photo as kept: a row beyond it could not be carried by an export."""
MAX_PIXELS = 50_000_000
"""Of the largest phone pictures; what 12 megapixels show is what is measured best."""
MAX_SIDE = 30_000
"""Pixels along one side."""
MIN_SIDE = 16
"""A picture smaller than this shows nothing."""
MAX_ASPECT = 20
"""A strip longer than this many times its width is no photo."""
MAX_SCANS = 100
"""Passes of a progressive JPEG; cameras use some ten."""
MAX_PIECES = 20_000
"""Segments of a JPEG, chunks of a PNG."""
MAX_ICC = 1 << 20
"""Bytes of a colour profile."""
THUMB_SIDE = 480
"""Pixels along the longer side of the small picture."""

WORKER_MEMORY = 1 << 30
"""Bytes of address space of the process that decodes."""
WORKER_CPU_S = 30
WORKER_WALL_S = 45.0
WORKER_FILE = 400 << 20
"""Bytes of the largest file it may write: the pixels of the largest photo of 16 bits."""
MEASURE_MEMORY = 3 << 30
MEASURE_CPU_S = 90
MEASURE_WALL_S = 120.0
WORKERS = 2
"""Processes at once; the next waits for its turn."""
TURN_S = 60.0
UPLOAD_S = 180.0
"""Seconds an upload may take on its way."""

MEND_ANOTHER = "take the photo again, or send it as the camera made it, as a JPEG"


class PictureRefused(Exception):
    """A file that is not taken for a photo: why, and what to do."""

    def __init__(self, problem: str, mend: str = MEND_ANOTHER) -> None:
        self.problem, self.mend = problem, mend
        super().__init__(f"{problem}. Mend: {mend}.")


def check_size(width: int, height: int) -> None:
    """Refuse dimensions no photo of a part has, before anything is unpacked."""
    if width <= 0 or height <= 0:
        raise PictureRefused("says that it has no pixels")
    if width > MAX_SIDE or height > MAX_SIDE or width * height > MAX_PIXELS:
        raise PictureRefused(
            f"is {width} × {height} pixels, the most is {MAX_PIXELS // 1_000_000} megapixels "
            f"and {MAX_SIDE} along a side",
            "set the camera to 12 megapixels and take it again",
        )
    if min(width, height) < MIN_SIDE:
        raise PictureRefused(
            f"is {width} × {height} pixels, which shows nothing",
            "send the photo itself, not a small copy of it",
        )
    if max(width, height) > MAX_ASPECT * min(width, height):
        raise PictureRefused(
            f"is {width} × {height} pixels, a strip", "send the photo as the camera made it"
        )
