"""The depot: a second store, such as an object store, to which the days of an archive go once they are closed.

What is still changing stays in the archive's folder: an object store can neither add to an object nor swap
several of them in one step. A day that is closed does not change any more, so each of its files goes over
whole, is read back, and only then is let go here.
"""

from __future__ import annotations

import functools
import json
import uuid
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from pyarrow import ArrowException, fs

from ingest import failpoints
from ingest.errors import UserError
from ingest.files import TEMPORARY, publish
from ingest.installation_types import Table
from ingest.load_installation import InstallationError, read_as

if TYPE_CHECKING:
    from pathlib import Path

    from pyarrow import NativeFile

DESCRIPTION = "depot.toml"
"""File in the archive's folder that says where its depot is; without it there is none."""

CONNECT_S = 5.0
"""Time within which the depot must take a connection. [s]"""

REQUEST_S = 20.0
"""Time within which it must answer. [s]"""

TRIAL = "trial-"
"""Start of the name of the file with which a new depot is tried."""

ATTEMPTS = 3
"""How often a request is tried before the depot counts as out of reach."""


class DepotError(UserError):
    """Raised when the depot does not answer, or its description is wrong."""


class Description(Table):
    """Where a depot is."""

    url: str
    """Where it is: s3://bucket/prefix, or file:///folder for another disk."""
    endpoint: str = ""
    """Address of an object store of one's own, like https://objects.example:9000."""
    region: str = ""
    """Region of the bucket, where the store has regions."""


@dataclass(frozen=True, slots=True)
class Depot:
    """An open depot.

    Attributes
    ----------
    url : str
        For messages.
    system : pyarrow.fs.FileSystem
        How to get at it.
    root : str
        Where in it the archive stands.
    """

    url: str
    system: fs.FileSystem = field(compare=False)
    root: str

    def place(self, name: str) -> str:
        """Return the whole name of what the archive calls `name`."""
        return f"{self.root}/{name}"

    def put(self, name: str, data: bytes) -> None:
        """Put a file there whole; what has the same name is replaced in one step.

        Raises
        ------
        DepotError
            If the depot does not take it; then it has no part of it under that name.
        """
        failpoints.reach("depot.put")
        place = self.place(name)
        try:
            if isinstance(self.system, fs.S3FileSystem):  # an object appears when it is whole
                with self.system.open_output_stream(place) as stream:
                    stream.write(data)
                return
            folder, _, last = place.rpartition("/")
            self.system.create_dir(folder, recursive=True)
            with self.system.open_output_stream(f"{folder}/{TEMPORARY}{last}") as stream:
                stream.write(data)
            self.system.move(f"{folder}/{TEMPORARY}{last}", place)
        except (OSError, ArrowException) as error:
            raise self._silent(error) from error

    def open(self, name: str) -> NativeFile:
        """Open a file for reading at any place in it.

        Raises
        ------
        FileNotFoundError
            If it is not there.
        DepotError
            If the depot does not answer.
        """
        try:
            return self.system.open_input_file(self.place(name))
        except FileNotFoundError:
            raise
        except (OSError, ArrowException) as error:
            raise self._silent(error) from error

    def read(self, name: str) -> bytes:
        """Return a file's bytes. Errors as for `open`."""
        with self.open(name) as stream:
            try:
                return bytes(stream.readall())
            except (OSError, ArrowException) as error:
                raise self._silent(error) from error

    def names(self, folder: str) -> dict[str, int]:
        """Return the files of a folder with their lengths; none where there is no such folder. [bytes]

        Raises
        ------
        DepotError
            If the depot does not answer.
        """
        selector = fs.FileSelector(self.place(folder), allow_not_found=True)
        try:
            found = self.system.get_file_info(selector)
        except (OSError, ArrowException) as error:
            raise self._silent(error) from error
        return {
            info.base_name: info.size
            for info in sorted(found, key=lambda info: str(info.base_name))
            if info.type == fs.FileType.File and not info.base_name.startswith(TEMPORARY)
        }

    def folders(self, folder: str) -> list[str]:
        """Return the names of the folders in a folder. Errors as for `names`."""
        selector = fs.FileSelector(self.place(folder), allow_not_found=True)
        try:
            found = self.system.get_file_info(selector)
        except (OSError, ArrowException) as error:
            raise self._silent(error) from error
        return sorted(str(info.base_name) for info in found if info.type == fs.FileType.Directory)

    def remove(self, name: str) -> None:
        """Remove a file, if it is there. Errors as for `names`."""
        try:
            self.system.delete_file(self.place(name))
        except FileNotFoundError:
            return
        except (OSError, ArrowException) as error:
            raise self._silent(error) from error

    def _silent(self, error: Exception) -> DepotError:
        said = str(error).partition("\n")[0]
        return DepotError(
            f"the depot {self.url} does not answer as it should ({said}); nothing is lost: days that it has "
            "can be read again when it does, days that it has not stay in the archive's folder"
        )


def describe(archive: Path, description: Description) -> Path:
    """Give an archive a depot, once it has been shown that the depot keeps what it is given.

    Returns
    -------
    Path
        The description's file.

    Raises
    ------
    DepotError
        If the address is wrong, the depot does not answer or does not keep what it is given, or if the
        archive has another depot already, where its days would be left behind.
    """
    depot = opened(description)
    now = depot_of(archive)
    if now is not None and now != depot and now.folders("manifest"):
        msg = (
            f"{archive / DESCRIPTION}: the archive has days in {now.url}; copy them to {depot.url} with the "
            "store's own tools, then change url in this file"
        )
        raise DepotError(msg)
    name, data = f"{TRIAL}{uuid.uuid4().hex}", b"as it was given"
    depot.put(name, data)
    if depot.read(name) != data:
        msg = (
            f"the depot {depot.url} gives back other bytes than it was given; it cannot be trusted with days"
        )
        raise DepotError(msg)
    depot.remove(name)
    said = {"url": description.url, "endpoint": description.endpoint, "region": description.region}
    text = "".join(f"{key} = {json.dumps(value)}\n" for key, value in said.items() if value)
    publish(archive / DESCRIPTION, text.encode(), "manifest")
    return archive / DESCRIPTION


def depot_of(archive: Path) -> Depot | None:
    """Return the archive's depot, or None where it has none.

    Raises
    ------
    DepotError
        If its description is wrong.

    Examples
    --------
    >>> from pathlib import Path
    >>> depot_of(Path("nowhere")) is None
    True
    """
    path = archive / DESCRIPTION
    if not path.exists():
        return None
    try:
        description = read_as(path, Description)
    except InstallationError as error:
        raise DepotError(str(error)) from error
    return opened(description)


@functools.lru_cache(maxsize=64)
def opened(description: Description) -> Depot:
    """Open a depot; nothing is asked of it yet.

    User and password of an object store come from where its own tools look for them: the environment
    (``AWS_ACCESS_KEY_ID``, ``AWS_SECRET_ACCESS_KEY``), its file in the home folder, or the machine's role.

    Raises
    ------
    DepotError
        If the address is of no kind that is known.
    """
    parts = urlsplit(description.url)
    if parts.scheme == "file" and not parts.netloc and parts.path.startswith("/"):
        return Depot(description.url, fs.LocalFileSystem(), parts.path.rstrip("/"))
    if parts.scheme != "s3" or not parts.netloc or parts.query or "@" in parts.netloc:
        msg = (
            f"{DESCRIPTION}: url: {description.url!r} is no address of a depot; expected one like "
            "s3://bucket/prefix or file:///mnt/disk/archive, without user, password or options in it"
        )
        raise DepotError(msg)
    ends = urlsplit(description.endpoint)
    if description.endpoint and (
        ends.scheme not in {"http", "https"} or not ends.netloc or ends.path.strip("/")
    ):
        msg = (
            f"{DESCRIPTION}: endpoint: {description.endpoint!r} is no address of an object store; "
            "expected one like https://objects.example:9000"
        )
        raise DepotError(msg)
    system = fs.S3FileSystem(
        endpoint_override=ends.netloc or None,
        scheme=ends.scheme or "https",
        region=description.region or ("us-east-1" if description.endpoint else None),
        connect_timeout=CONNECT_S,
        request_timeout=REQUEST_S,
        retry_strategy=fs.AwsStandardS3RetryStrategy(max_attempts=ATTEMPTS),
        allow_delayed_open=True,  # a file of usual size is one request
    )
    return Depot(description.url, system, f"{parts.netloc}{parts.path}".rstrip("/"))
