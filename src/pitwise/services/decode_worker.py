"""The limited process that decodes: ``python -I -m pitwise.services.decode_worker``.

Jobs: ``clean`` makes of a file as sent what is kept, and its small picture; ``pixels`` writes
the pixels of what is kept; ``small`` makes the small picture again.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pitwise.services import limited_child

SENT, KEPT, SMALL, PIXELS = "sent", "kept", "small", "pixels"


def _work(folder: Path, words: list[str]) -> dict[str, Any]:
    # Only now: the limits hold by this time.
    from pitwise.services.photofile import clean
    from pitwise.services.photofile.raw import write_pixels

    job, *more = words
    answer: dict[str, Any] = {}
    if job in ("clean", "open"):
        done = clean.clean_picture((folder / SENT).read_bytes())
        content, media = done.content, done.media
        answer = {
            "media": done.media,
            "width": done.width,
            "height": done.height,
            "bits": done.bits,
            "notes": done.notes,
        }
        (folder / KEPT).write_bytes(content)
    else:
        content, media = (folder / KEPT).read_bytes(), more[0]  # type: ignore[assignment]
    pixels = clean.pixels_of(content, media)
    if job in ("pixels", "open"):
        write_pixels(folder / PIXELS, pixels)
    if job in ("clean", "small"):
        small, width, height = clean.thumb_of(pixels)
        (folder / SMALL).write_bytes(small)
        answer |= {"small_width": width, "small_height": height}
    return answer


if __name__ == "__main__":
    limited_child.main(_work)
