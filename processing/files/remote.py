"""The one door to the network: the server of an address that somebody typed, and no other, within limits.

Whatever it answers may be anything: every answer has a largest size and a latest end, is not unpacked, and leads
nowhere else.
"""

from __future__ import annotations

import http.client
import io
import re
import time
import urllib.error
import urllib.request
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from email.message import Message
from typing import IO, Any, cast
from urllib.parse import SplitResult, urlencode, urljoin, urlsplit, urlunsplit

from lawngis.errors import SiteError

PORTS = {"http": 80, "https": 443}

BLOCK_BYTES = 1 << 16
"""Parts of a remote file are fetched in multiples of this."""

BLOCKS_KEPT = 256
"""Of a remote file in memory."""


def is_address(word: str) -> bool:
    """Return whether a word is an address of the web."""
    return re.match(r"https?:/", word, re.IGNORECASE) is not None


@dataclass(frozen=True)
class Limits:
    """How much a server may be asked, and may answer.

    Parameters
    ----------
    answer_bytes
        Of one answer [bytes].
    bytes
        Of all answers together [bytes].
    requests
        Number of them.
    silence_s
        Without a byte [s].
    seconds
        From the first to the last byte of all [s].
    """

    answer_bytes: int = 64 << 20
    bytes: int = 2 << 30
    requests: int = 20_000
    silence_s: float = 30.0
    seconds: float = 1800.0


@dataclass(frozen=True)
class Answer:
    """What a server answered: its body, its headers, and the address in the end."""

    body: bytes
    headers: Message
    address: str

    @property
    def kind(self) -> str:
        """Media type, in small letters and without parameters."""
        return self.headers.get_content_type()


@dataclass
class Server:
    """The server of one address, and what was asked of it so far.

    Parameters
    ----------
    address
        As typed.
    limits
        Of what is read from it.

    Raises
    ------
    SiteError
        When it is no plain address of the web.
    """

    address: str
    limits: Limits = field(default_factory=Limits)
    bytes_read: int = 0
    requests: int = 0

    def __post_init__(self) -> None:
        self._place = _place(self.address, self.address)
        self._end_s = time.monotonic() + self.limits.seconds
        self._opener = urllib.request.OpenerDirector()
        for handler in (
            urllib.request.ProxyHandler,
            urllib.request.HTTPHandler,
            urllib.request.HTTPSHandler,
            urllib.request.HTTPDefaultErrorHandler,
            urllib.request.HTTPErrorProcessor,
        ):
            self._opener.add_handler(handler())
        self._opener.add_handler(_SameServer(self))

    @property
    def plain_address(self) -> str:
        """The address without what follows a question mark: keys that nobody else should have may stand there."""
        return urlunsplit(self._place._replace(query="", fragment=""))

    def document(self, address: str, *, accept: str, more: Mapping[str, str] | None = None) -> Answer:
        """Return what stands under an address of this server, whole.

        Parameters
        ----------
        address
            May be relative to the one that was typed.
        accept
            Media types wanted.
        more
            Parameters that are added, or take the place of those of the same name, whatever its case.

        Raises
        ------
        SiteError
            When it is another server's, doesn't answer, or goes beyond the limits.
        """
        place = _place(urljoin(self.address, address), self.address)
        self.refuse_other(place)
        if more:
            names = {name.casefold() for name in more}
            kept = [part for part in place.query.split("&") if part and part.split("=")[0].casefold() not in names]
            place = place._replace(query="&".join([*kept, urlencode(more, safe=":,/")]))
        return self._answer(urlunsplit(place), {"Accept": accept}, self.limits.answer_bytes)

    def part(self, first: int, stop: int) -> tuple[bytes, int, str]:
        """Return bytes of the file at the address: `first` up to but not `stop`; its size; and what marks its state.

        Raises
        ------
        SiteError
            When the server doesn't give parts of files.
        """
        asked = {"Range": f"bytes={first}-{stop - 1}", "Accept": "*/*"}
        answer = self._answer(self.address, asked, stop - first, whole=False)
        told = re.fullmatch(r"bytes (\d+)-(\d+)/(\d+)", answer.headers.get("Content-Range", ""))
        if told is None:
            raise self.refusal("doesn't give parts of files", "Download the file, and name that.")
        start, last, size = (int(number) for number in told.groups())
        if start != first or last != min(stop, size) - 1 or len(answer.body) != last - first + 1:
            raise self.refusal("gave another part of the file than was asked", "Download the file, and name that.")
        return answer.body, size, answer.headers.get("ETag") or answer.headers.get("Last-Modified") or ""

    def refuse_other(self, place: SplitResult) -> None:
        """Refuse an address of another server; going over to an encrypted connection is none."""
        ours, theirs = _server(self._place), _server(place)
        upgraded = ours == ("http", theirs[1], 80) and theirs == ("https", ours[1], 443)
        if theirs != ours and not upgraded:
            raise self.refusal(
                f"leads to another server ({theirs[1]}:{theirs[2]})",
                f"Nothing is read from there unless its address is typed: {urlunsplit(place)[:200]}",
            )

    def refusal(self, what: str, advice: str) -> SiteError:
        """Return an error about this server."""
        return SiteError(what, where=self.plain_address, advice=advice)

    def _answer(self, address: str, headers: Mapping[str, str], bytes_max: int, *, whole: bool = True) -> Answer:
        self.requests += 1
        if self.requests > self.limits.requests:
            raise self.refusal(f"was asked {self.limits.requests} times without an end", "Name a smaller --area.")
        request = urllib.request.Request(address, headers={"Accept-Encoding": "identity", **headers})
        try:
            with cast(Any, self._opener.open(request, timeout=self.limits.silence_s)) as response:
                if not whole and response.status != 206:
                    raise self.refusal("doesn't give parts of files", "Download the file, and name that.")
                if response.headers.get("Content-Encoding", "identity") != "identity":
                    raise self.refusal("answers packed, though asked not to", "Download the data, and name the file.")
                return Answer(self._read(response, bytes_max), response.headers, response.url)
        except urllib.error.HTTPError as error:
            with error:
                raise self.refusal(f"answers {error.code} {error.reason}"[:200], "Check the address.") from error
        except (urllib.error.URLError, http.client.HTTPException, OSError, ValueError) as error:
            said = str(getattr(error, "reason", error)).strip() or type(error).__name__
            raise self.refusal(f"can't be read ({said[:200]})", "Check the address, or try again later.") from error

    def _read(self, response: IO[bytes], bytes_max: int) -> bytes:
        found = bytearray()
        while piece := cast(Any, response).read1(BLOCK_BYTES):
            found += piece
            self.bytes_read += len(piece)
            if len(found) > bytes_max:
                what = f"answers with more than {bytes_max:,} bytes at once"
                raise self.refusal(what, "Name a smaller --area, or download the data and name the file.")
            if self.bytes_read > self.limits.bytes:
                what = f"has given {self.limits.bytes:,} bytes, and no end"
                raise self.refusal(what, "Name a smaller --area.")
            if time.monotonic() > self._end_s:
                what = f"is too slow: no end after {self.limits.seconds:g} s"
                raise self.refusal(what, "Download the data, and name the file.")
        length = response.headers.get("Content-Length") if hasattr(response, "headers") else None
        if length is not None and length.isdigit() and len(found) < int(length):
            raise self.refusal(f"broke off after {len(found):,} of {int(length):,} bytes", "Try again later.")
        return bytes(found)


class _SameServer(urllib.request.HTTPRedirectHandler):
    """Redirections are followed on the same server only."""

    def __init__(self, server: Server) -> None:
        self._server = server

    def redirect_request(  # the signature of urllib
        self, req: urllib.request.Request, fp: IO[bytes], code: int, msg: str, headers: Message, newurl: str
    ) -> urllib.request.Request | None:
        """Return the request that follows."""
        self._server.refuse_other(_place(newurl, self._server.address))
        return super().redirect_request(req, fp, code, msg, cast(Any, headers), newurl)


def _place(address: str, typed: str) -> SplitResult:
    advice = "Type one such as https://example.org/collections/parcels."
    try:
        place = urlsplit(address)
        port = place.port
    except ValueError:
        raise SiteError("is no address", where=typed, advice=advice) from None
    if place.scheme.lower() not in PORTS or not place.hostname or port == 0 or not address.isprintable():
        raise SiteError("is no address of the web", where=typed, advice=advice)
    if place.username is not None:
        bare = place._replace(netloc=place.netloc.rpartition("@")[2], query="")
        raise SiteError("has a password in it", where=urlunsplit(bare), advice="Download the data, and name the file.")
    return place._replace(scheme=place.scheme.lower())


def _server(place: SplitResult) -> tuple[str, str, int]:
    return place.scheme, (place.hostname or "").casefold(), place.port or PORTS[place.scheme]


class RemoteFile(io.RawIOBase):
    """A file on a server, of which only the parts that are read are fetched."""

    def __init__(self, server: Server) -> None:
        self._server = server
        self._at = 0
        self._blocks: OrderedDict[int, bytes] = OrderedDict()
        first, self._size, self._state = server.part(0, BLOCK_BYTES)
        self._blocks[0] = first

    def readable(self) -> bool:
        """Return True."""
        return True

    def seekable(self) -> bool:
        """Return True."""
        return True

    def tell(self) -> int:
        """Return the place of the next byte."""
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go to a place."""
        self._at = offset + {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._size}[whence]
        return self._at

    def read(self, size: int = -1) -> bytes:
        """Return the next bytes."""
        stop = self._size if size < 0 else min(self._at + size, self._size)
        if self._at >= stop:
            return b""
        first, last = self._at // BLOCK_BYTES, (stop - 1) // BLOCK_BYTES
        blocks = self._fetched(first, last)
        found = b"".join(blocks)[self._at - first * BLOCK_BYTES : stop - first * BLOCK_BYTES]
        self._at = stop
        return found

    def _fetched(self, first: int, last: int) -> list[bytes]:
        """Return blocks; those that are not in memory are asked for together."""
        missing = [number for number in range(first, last + 1) if number not in self._blocks]
        if missing:
            start, stop = missing[0] * BLOCK_BYTES, min((missing[-1] + 1) * BLOCK_BYTES, self._size)
            part, size, state = self._server.part(start, stop)
            if (size, state) != (self._size, self._state):
                raise self._server.refusal("changed its file meanwhile", "Try again.")
            for number in range(missing[0], missing[-1] + 1):
                self._blocks[number] = part[(number - missing[0]) * BLOCK_BYTES :][:BLOCK_BYTES]
        found = [self._blocks[number] for number in range(first, last + 1)]
        for number in range(first, last + 1):
            self._blocks.move_to_end(number)
        while len(self._blocks) > BLOCKS_KEPT:
            self._blocks.popitem(last=False)
        return found
