"""Files written whole or not at all: a crash half way leaves the last good file."""

from __future__ import annotations

import os
import shutil
import uuid
from contextlib import contextmanager
from typing import BinaryIO, Iterator, Union

from .errors import OutputError

Path = Union[str, os.PathLike]


def write_whole_file(path: Path, data: bytes) -> None:
    """Write a file through a temporary one beside it, which then takes its place.

    Raises
    ------
    OutputError
        When it cannot be written there; the old file is then untouched.
    """
    with whole_file(path) as file:
        file.write(data)


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """The same for a file that is written in pieces; it appears when the block ends well.

    Raises
    ------
    OutputError
    """
    name = os.fspath(path)
    folder, base = os.path.split(name)
    temporary = os.path.join(folder, f".{base}.{uuid.uuid4().hex}.part")
    try:
        with open(temporary, "x+b") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if os.path.isfile(name):
            shutil.copymode(name, temporary)
        os.replace(temporary, name)
    except OSError as error:
        raise OutputError(
            f"The file cannot be written ({error.strerror or error}).",
            "Choose a folder that exists and that you may write to, and close the file in other "
            "programs.",
            file=name,
        ) from None
    finally:
        if os.path.exists(temporary):
            os.unlink(temporary)
