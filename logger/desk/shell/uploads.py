"""Files that are sent to the desk: checked as if they came from a stranger."""

from __future__ import annotations

from collections.abc import AsyncGenerator
from typing import BinaryIO

from starlette.datastructures import FormData, UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser

from logger.desk.shell.desk import Ask, Typed
from logger.errors import UsageError

_FORM = "multipart/form-data"


async def sent_form(ask: Ask, most_bytes: int) -> FormData:
    """Return a form with files, which lie on the disk if they are large.

    Raises
    ------
    UsageError
        It is larger than that, or no form.
    """
    request = ask.request
    if request.headers.get("content-type", "").partition(";")[0] != _FORM:
        raise UsageError("no file came along: choose one first")

    async def limited() -> AsyncGenerator[bytes, None]:
        size = 0
        async for piece in request.stream():
            size += len(piece)
            if size > most_bytes:
                raise UsageError(
                    f"more than {most_bytes / 1e6:.1f} MB: that is not such a file; nothing was "
                    "taken"
                )
            yield piece

    try:
        form = await MultiPartParser(request.headers, limited(), max_fields=50).parse()
    except MultiPartException as error:
        raise UsageError(f"the form came in pieces ({error.message}): send it again") from error
    ask.form = Typed({name: value for name, value in form.items() if isinstance(value, str)})
    return form


def file_in(form: FormData, name: str) -> tuple[str, BinaryIO]:
    """Return the name and content of the file that was chosen.

    Raises
    ------
    UsageError
        None was.
    """
    file = form.get(name)
    if not isinstance(file, UploadFile) or not file.filename:
        raise UsageError("no file came along: choose one first")
    return file.filename, file.file
