"""A form with one photo in it, read under a cap and within a time.

The cap holds while the body comes: `Guard` ends a request that brings more than its path
may, the parser keeps at most one megabyte of it in memory and the rest in a temporary file,
and `services.intake` counts the photo once more as it reads it. A sender that dawdles is
left standing after a while.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import BinaryIO

from fastapi import Request
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from pitwise.services.errors import ServiceError
from pitwise.services.photofile.limits import MAX_UPLOAD, UPLOAD_S

_MOST_FIELDS = 12
_LONGEST_FIELD = 4096


@dataclass(frozen=True)
class PhotoForm:
    """What a form with a photo holds.

    Attributes
    ----------
    fields : dict of str to str
    file : binary file or None
        The photo, to be read in pieces; None where none was chosen.
    name : str
        As the browser calls it: for messages only.
    """

    fields: dict[str, str]
    file: BinaryIO | None
    name: str

    def photo(self) -> BinaryIO:
        """Return the photo; refuse a form without one."""
        if self.file is None:
            raise ServiceError("photo", "none was chosen", "take one, then send it")
        return self.file


@asynccontextmanager
async def photo_form(request: Request, *, field: str = "photo") -> AsyncIterator[PhotoForm]:
    """Read a form with at most one file; its temporary file is gone at the end.

    Parameters
    ----------
    request : Request
        Its path is one that `security.most_of` lets bring a photo; whoever sends it is
        known already.
    field : str
        Name of the file's field.

    Raises
    ------
    ServiceError
        Too large, too slow, broken off, or no such form.
    """
    try:
        async with asyncio.timeout(UPLOAD_S):
            form = await request.form(
                max_files=1, max_fields=_MOST_FIELDS, max_part_size=_LONGEST_FIELD
            )
    except ClientDisconnect as error:
        raise ServiceError(
            "photo",
            f"is larger than {MAX_UPLOAD >> 20} MB, or the connection broke",
            "send it again; a photo that is in already is not counted twice",
        ) from error
    except TimeoutError as error:
        raise ServiceError(
            "photo",
            f"did not come within {UPLOAD_S / 60:.0f} minutes",
            "go nearer to the Wi-Fi, and send it again",
        ) from error
    except HTTPException as error:
        raise ServiceError(
            "photo", "could not be read from the form", "reload the page, then send one photo"
        ) from error
    try:
        sent = form.get(field)
        file = sent if isinstance(sent, UploadFile) and sent.filename else None
        fields = {k: v for k, v in form.items() if isinstance(v, str)}
        yield PhotoForm(fields, file.file if file else None, (file.filename or "") if file else "")
    finally:
        await form.close()
