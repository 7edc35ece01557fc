"""Bodies taken in piece by piece, plain or compressed, kept in memory while they are short and on disk beyond.

Invariants: what is kept never exceeds the limit of its media type, whatever a compressed body unpacks to; every
member of a gzip body (RFC 1952) is read, and a body that ends within one is refused whole; memory does not grow
with the body.
"""

from __future__ import annotations

import contextlib
import errno
import tempfile
import zlib
from collections.abc import AsyncIterator, Iterable, Iterator, Mapping
from typing import IO

from anyio.to_thread import run_sync
from fastapi import Request
from starlette.requests import ClientDisconnect

from api.intake import refuse_media_type
from api.services.errors import BodyMalformedError, BodyTooLongError
from api.store.errors import StoreFullError

SHORT_BYTES = 1 << 20
"""Bodies up to here, as they come, are unpacked by whoever reads them [byte]."""

CODINGS = ("gzip",)
"""Content codings that are unpacked."""

_GZIP = "gzip"
_KEPT_IN_MEMORY_BYTES = 2 << 20
# A decompressor hands back what follows its member, so it is fed a little at a time: many small members would
# otherwise copy all that follows each of them.
_FED_BYTES = 16 << 10
_UNPACKED_BYTES = 1 << 20
_GZIP_WINDOW = 31


class Body:
    """A body that has come in whole.

    Attributes:
        media: Its media type.
        is_short: Whether nothing of it was unpacked yet.
    """

    def __init__(self, media: str, coding: str, limit_bytes: int) -> None:
        """Take in a body of this media type and content coding; it ends at ``limit_bytes``, unpacked."""
        self.media = media
        self.is_short = True
        self._limit_bytes = limit_bytes
        self._size = 0
        self._waiting: list[bytes] = []
        self._waiting_size = 0
        self._unpacker = _Gunzip() if coding == _GZIP else _Plain()
        # Without a name in the file system, so that nothing is left of it after a crash.
        self._file = tempfile.SpooledTemporaryFile(max_size=_KEPT_IN_MEMORY_BYTES)  # noqa: SIM115 - ``close`` does

    def is_plain_up_to(self, size_bytes: int) -> bool:
        """Whether it came without compression, and is no longer than this [byte]."""
        return self.is_short and isinstance(self._unpacker, _Plain) and self._waiting_size <= size_bytes

    def file(self) -> IO[bytes]:
        """The body unpacked, as a file; called in a thread that may work.

        Raises:
            BodyMalformedError: Its compression is broken, or it ends too early.
            BodyTooLongError: It is larger than its limit.
            StoreFullError: There is no room for it on disk.
        """
        self._unpack()
        self._unpacker.end()
        self._file.seek(0)
        return self._file

    def whole(self) -> bytes:
        """The body unpacked, in memory; raises as ``file``."""
        if self.is_short and isinstance(self._unpacker, _Plain):
            if self._waiting_size > self._limit_bytes:
                raise self._too_long()
            return b"".join(self._waiting)
        return self.file().read()

    async def take(self, chunks: AsyncIterator[bytes]) -> None:
        """Take in all chunks; raises as ``file``."""
        async for chunk in chunks:
            self._waiting.append(chunk)
            self._waiting_size += len(chunk)
            if self._waiting_size > SHORT_BYTES:
                self.is_short = False
                await run_sync(self._unpack)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def _unpack(self) -> None:
        waiting, self._waiting, self._waiting_size = self._waiting, [], 0
        try:
            for piece in self._unpacker.unpacked(waiting):
                self._size += len(piece)
                if self._size > self._limit_bytes:
                    raise self._too_long()
                self._file.write(piece)
        except OSError as error:
            if error.errno in {errno.ENOSPC, errno.EDQUOT}:
                msg = "no room for a long body"
                raise StoreFullError(msg) from error
            raise

    def _too_long(self) -> BodyTooLongError:
        msg = f"a body of this media type has at most {self._limit_bytes} bytes, unpacked"
        return BodyTooLongError(msg)


@contextlib.asynccontextmanager
async def received(
    request: Request, limits_bytes: Mapping[str, int], *, codings: tuple[str, ...] = CODINGS
) -> AsyncIterator[Body]:
    """The body of a request.

    Args:
        request: The request.
        limits_bytes: Media types that the route reads, with their largest bodies, unpacked.
        codings: Content codings that it reads besides none.

    Raises:
        HTTPException: It is announced as something else (415).
        BodyMalformedError: It ends too early, or its compression is broken.
        BodyTooLongError: It is larger than its limit.
        StoreFullError: There is no room for it on disk.
    """
    media, coding = refuse_media_type(request, medias=tuple(limits_bytes), codings=codings)
    body = Body(media, coding, limits_bytes[media])
    try:
        try:
            await body.take(request.stream())
        except ClientDisconnect:
            msg = "The body ends too early."
            raise BodyMalformedError(msg) from None
        yield body
    finally:
        body.close()


class _Plain:
    def unpacked(self, chunks: Iterable[bytes]) -> Iterator[bytes]:
        yield from chunks

    def end(self) -> None:
        """Nothing: the server sees to the length."""


class _Gunzip:
    """Unpacks gzip members one after the other."""

    def __init__(self) -> None:
        self._member: zlib._Decompress | None = None
        self._has_member = False

    def unpacked(self, chunks: Iterable[bytes]) -> Iterator[bytes]:
        try:
            for chunk in chunks:
                for begin in range(0, len(chunk), _FED_BYTES):
                    yield from self._fed(chunk[begin : begin + _FED_BYTES])
        except zlib.error:
            msg = "The body's compression is broken."
            raise BodyMalformedError(msg) from None

    def end(self) -> None:
        if self._member is not None or not self._has_member:
            msg = "The compressed body ends too early."
            raise BodyMalformedError(msg)

    def _fed(self, data: bytes) -> Iterator[bytes]:
        while data:
            if self._member is None:
                self._member, self._has_member = zlib.decompressobj(_GZIP_WINDOW), True
            member = self._member
            piece = member.decompress(data, _UNPACKED_BYTES)
            yield piece
            while not member.eof and (member.unconsumed_tail or len(piece) == _UNPACKED_BYTES):
                piece = member.decompress(member.unconsumed_tail, _UNPACKED_BYTES)
                yield piece
            data = member.unused_data
            if member.eof:
                self._member = None
