"""Connections of the board: waitress's, over TLS where a certificate is set, within limits.

One thread reads and writes every connection without waiting for any of them; a request goes to a
working thread once it is complete.
"""

from __future__ import annotations

import contextlib
import copy
import functools
import logging
import socket
import ssl
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from waitress import wasyncore
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import TcpWSGIServer
from waitress.task import ErrorTask, ThreadedTaskDispatcher, WSGITask
from waitress.utilities import BadRequest, Error, RequestEntityTooLarge

from dashboard.server import limits
from dashboard.server.limits import FairQueue, RequestRate, Tally
from monitor.core.certificate import WatchedCertificate

log = logging.getLogger(__name__)

RECEIVED_MOST = 65_536
"""Bytes read at a time: more than a TLS record, so that nothing stays behind unseen. [bytes]"""
PARSED_MOST = 1_024
"""Bytes given to the parser at a time: on many short chunks its work grows with their square. [bytes]"""
SEND_BUFFER = 131_072
"""Bytes of an answer that the kernel keeps for a connection; else it takes megabytes. [bytes]"""
TLS_HANDSHAKE = b"\x16"
"""First byte of a connection that speaks TLS."""
_LATER = (ssl.SSLWantReadError, ssl.SSLWantWriteError, BlockingIOError)


class Options(NamedTuple):
    """Options of a board's server. Lengths of bodies are in bytes; `may_upload` decides by method,
    path and headers who may send one of `upload_max`."""

    host: str
    port: int
    threads: int
    body_max: int
    upload_max: int
    may_upload: Callable[[str, str, Mapping[str, str]], bool]
    trusted_proxy: str = ""
    certificate: WatchedCertificate | None = None


class TooManyRequests(Error):
    """A request beyond a visitor's rate."""

    code, reason = 429, "Too Many Requests"


class Busy(Error):
    """A request for which there is no memory just now."""

    code, reason = 503, "Service Unavailable"


class PlainError(ErrorTask):
    """Answer to a request that is not handed to the app."""

    def execute(self) -> None:
        error = self.request.error
        self.status = f"{error.code} {error.reason}"
        headers, body = limits.plain_answer(error.code)
        self.response_headers.extend(headers)
        self.set_close_on_finish()
        self.content_length = len(body)
        self.write(body)


class IncomingRequest(HTTPRequestParser):
    """A request as it comes in; whether it is taken is decided once its headers are there."""

    error: Error | None
    empty: bool
    path = ""  # of a request that was malformed before it

    def __init__(self, adj: Any, channel: Channel) -> None:
        del adj  # which body is taken is known with the headers; until then, the longest
        super().__init__(channel.shared.upload_adj)
        self._channel, self._decided = channel, False
        self.body_began_s = time.monotonic()

    def received(self, data: bytes) -> int:
        try:
            taken = int(super().received(data))
        except ValueError:  # a length of thousands of digits
            taken, self.error = len(data), BadRequest("")
        if self.empty or self._has_idle_chunks():  # only blank lines, or next to no content
            self.error, self.empty = BadRequest(""), False
        if self.headers_finished and not self._decided:
            self._decided = True
            self.body_began_s = time.monotonic()
            if self.chunked and "CONTENT_LENGTH" in self.headers:
                self.error = BadRequest("")  # another server may read two requests out of it
            if self.error is None:
                self.error = self._channel.admit(self)
        if self.error is not None:
            self.completed, self.expect_continue = True, False
            self._channel.rejected = True
        return taken

    def _has_idle_chunks(self) -> bool:
        """True if a body in chunks is mostly their sizes, extensions and trailers."""
        if not self.chunked or self.body_rcv is None:
            return False
        content = len(self.body_rcv)
        return self.body_bytes_received - content > limits.CHUNKING_MOST + content / 10

    @property
    def body_most(self) -> int:
        """Largest possible length of the body. [bytes]"""
        if self.body_rcv is None:
            return 0
        most = int(self.adj.max_request_body_size)
        return most if self.chunked else min(self.content_length, most)

    def seconds_for_body(self) -> float:
        """Time in which its body must have come. [s]"""
        return limits.BODY_S + self.body_most / limits.BODY_RATE


class Server:
    """The board's server; it listens from the start and serves in `run`."""

    def __init__(self, app: Any, options: Options) -> None:
        self.options = options
        self.map: dict[int, Any] = {}
        self.channels: dict[int, Channel] = {}
        self.rate, self.tally = RequestRate(limits.BURST, limits.RATE), Tally()
        self.queue = FairQueue(max(1, options.threads * 3 // 4))
        proxy = {}
        if options.trusted_proxy:
            believed = {"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"}
            proxy = {"trusted_proxy": options.trusted_proxy, "trusted_proxy_headers": believed}
        self.adj = Adjustments(
            host=options.host,
            port=options.port,
            ident=None,
            url_scheme="https" if options.certificate else "http",
            max_request_header_size=limits.HEADER_MAX,
            max_request_body_size=options.body_max + 1,
            inbuf_overflow=2 * options.upload_max + RECEIVED_MOST,  # in memory, never in a file
            connection_limit=2 * limits.CONNECTIONS_MAX,  # we stop before
            cleanup_interval=1,
            asyncore_use_poll=True,  # select() cannot watch this many
            **proxy,
        )
        self.upload_adj = copy.copy(self.adj)
        self.upload_adj.max_request_body_size = options.upload_max + 1
        self.dispatcher = ThreadedTaskDispatcher()
        self.dispatcher.queue = self.queue
        self.dispatcher.set_thread_count(options.threads)
        for sockinfo in self.adj.listen:
            Listener(self, app, sockinfo)

    def run(self) -> None:
        """Serve until SystemExit; then finish the requests under way."""
        try:
            wasyncore.loop(
                timeout=self.adj.asyncore_loop_timeout,
                map=self.map,
                use_poll=self.adj.asyncore_use_poll,
            )
        except (SystemExit, KeyboardInterrupt):
            self.dispatcher.shutdown()

    def maintain(self) -> None:
        """End what takes too long, and look for a renewed certificate."""
        now_s = time.monotonic()
        if self.options.certificate is not None:
            self.options.certificate.renew()
        for channel in list(self.channels.values()):
            channel.check_times(now_s)
        if ended := self.tally.due(now_s):
            log.warning("requests or connections ended early %s", ended)

    def make_room(self, owner: str) -> bool:
        """Close the connection least in use if there are too many; False if all are in use."""
        channels = list(self.channels.values())
        counts = Counter(channel.owner for channel in channels)
        if counts[owner] >= limits.CONNECTIONS_EACH and owner != self.options.trusted_proxy:
            crowd = {owner}
        elif len(channels) >= limits.CONNECTIONS_MAX:
            crowd = {counts.most_common(1)[0][0]}
        else:
            return True
        spare = [channel for channel in channels if channel.owner in crowd and channel.is_spare]
        if not spare:
            self.tally.add("connections_refused")
            return False
        self.tally.add("connections_replaced")
        min(spare, key=lambda channel: (channel.is_idle, channel.began_s)).evict()
        return True


class Listener(TcpWSGIServer):
    """A socket that takes connections."""

    def __init__(self, server: Server, app: Any, sockinfo: Any) -> None:
        self.shared = server
        super().__init__(
            app, server.map, dispatcher=server.dispatcher, adj=server.adj, sockinfo=sockinfo
        )
        self.active_channels = server.channels

    def handle_accept(self) -> None:
        try:
            came = self.accept()
            if came is None:
                return
            sock, address = came
            self.set_socket_options(sock)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
        except OSError:
            return  # gone again
        if not self.shared.make_room(limits.visitor_of_address(str(address[0]))):
            sock.close()
            return
        certificate = self.shared.options.certificate
        if certificate is not None:
            sock.setblocking(False)
            try:
                sock = certificate.current.context.wrap_socket(
                    sock, server_side=True, do_handshake_on_connect=False
                )
            except (OSError, ValueError):
                sock.close()
                return
        Channel(self, sock, address, self.adj, map=self._map)

    def maintenance(self, _now: float) -> None:
        self.shared.maintain()


class Task(WSGITask):
    """A request that is handed to the app."""

    def get_environment(self) -> dict[str, Any]:
        environ: dict[str, Any] = super().get_environment()
        environ[limits.DIRECT] = limits.is_direct(self.channel.address, self.request.headers)
        return environ


class Channel(HTTPChannel):
    """Connection of a visitor, with or without TLS."""

    task_class = Task
    error_task_class = PlainError

    def __init__(self, listener: Listener, sock: Any, address: Any, adj: Any, map: Any) -> None:  # noqa: A002 - waitress's name
        self.shared = listener.shared
        self.address = str(address[0])
        self.owner = self.visitor = limits.visitor_of_address(self.address)
        self.shaking = self.shared.options.certificate is not None
        self.untouched, self.wants_write, self.rejected = True, False, False
        self.began_s = time.monotonic()  # the present request, or the wait for one
        self.lingering_s: float | None = None
        self.slow: tuple[float, int] | None = None  # since when an answer waits, and sent by then
        self.sent = 0
        self._line_lock = threading.Lock()  # a TLS connection is for one thread at a time
        super().__init__(listener, sock, address, adj, map=map)
        self.parser_class = functools.partial(IncomingRequest, channel=self)

    @property
    def is_spare(self) -> bool:
        """True if nothing is being answered here."""
        return not self.requests and not self.total_outbufs_len

    @property
    def is_idle(self) -> bool:
        """True between two requests."""
        return not self.untouched and self.request is None and self.lingering_s is None

    # Reading and writing

    def readable(self) -> bool:
        return self.lingering_s is not None or bool(super().readable())

    def handle_read(self) -> None:
        if self.shaking and not self._shake_hands():
            return
        try:
            with self._line_lock:
                data = self.socket.recv(RECEIVED_MOST)
        except _LATER:
            return
        except OSError:
            data = b""
        if not data:
            self.handle_close()
        elif self.lingering_s is None:
            if self.request is None:
                self.began_s = time.monotonic()
            self.untouched = False
            for start in range(0, len(data), PARSED_MOST):
                if not self.rejected:
                    self.received(data[start : start + PARSED_MOST])

    def writable(self) -> bool:
        if self.shaking:
            return self.wants_write or bool(self.will_close)
        return bool(super().writable())

    def handle_write(self) -> None:
        if self.will_close and (self.shaking or self.lingering_s is not None):
            self.handle_close()
        elif self.shaking:
            self._shake_hands()
        elif self.rejected and self.close_when_flushed and not self.will_close:
            self._flush_exception(self._flush_some)
            if self.connected and not self.total_outbufs_len:
                self._linger()
        else:
            super().handle_write()

    def send(self, data: bytes, do_close: bool = True) -> int:
        try:
            with self._line_lock:
                sent = int(self.socket.send(data))
        except _LATER:
            return 0
        except OSError:
            self.will_close = True
            if do_close:
                self.handle_close()
            return 0
        self.sent += sent
        return sent

    def handle_close(self) -> None:
        with self.outbuf_lock:
            if self.connected and isinstance(self.socket, ssl.SSLSocket) and not self.shaking:
                with contextlib.suppress(OSError, ValueError):
                    self.socket.unwrap()
            super().handle_close()

    def service(self) -> None:
        try:
            super().service()
        finally:
            self.shared.queue.done(self)

    def _shake_hands(self) -> bool:
        """Carry the TLS handshake on; True once it is complete."""
        try:
            if self.untouched:
                first = socket.socket.recv(self.socket, 1, socket.MSG_PEEK)
                if first not in (b"", TLS_HANDSHAKE):
                    self._answer_plainly()
                    return False
                self.untouched = False
            self.socket.do_handshake()
        except _LATER as exc:
            self.wants_write = isinstance(exc, ssl.SSLWantWriteError)
            return False
        except (OSError, ValueError):
            self.handle_close()
            return False
        self.shaking = self.wants_write = False
        return True

    def _answer_plainly(self) -> None:
        """Answer a request without TLS with how to reach the board."""
        socket.socket.send(self.socket, limits.raw_answer(400, limits.HTTPS_ONLY))
        self.shaking = self.untouched = False
        self._linger()

    def _linger(self) -> None:
        """End our side and discard what still comes: a reset would take the answer away."""
        self.close_when_flushed = False
        self.lingering_s = time.monotonic()
        with contextlib.suppress(OSError, ValueError):
            self.socket.shutdown(socket.SHUT_WR)  # that of TLS reads bare bytes from now on

    # Limits

    def admit(self, request: IncomingRequest) -> Error | None:
        """Decide on a request by its headers; return why it is not taken."""
        shared = self.shared
        self.visitor = self.owner
        if self.address == shared.options.trusted_proxy:
            named = request.headers.get("X_FORWARDED_FOR", "").rpartition(",")[2].strip()
            self.visitor = limits.visitor_of_address(named) if named else self.owner
        elif request.path == limits.WATCHED and limits.is_direct(self.address, request.headers):
            self.visitor = limits.WATCHER
        error: Error | None = None
        if (
            not shared.rate.take(self.visitor, time.monotonic())
            or len(self.requests) >= limits.PIPELINED_MAX
        ):
            error = TooManyRequests("")
        elif request.body_rcv is not None:
            may = shared.options.may_upload(request.command, request.path, request.headers)
            request.adj = shared.upload_adj if may else shared.adj
            error = self._no_memory_for(request)
        if error is not None:
            shared.tally.add(f"status_{error.code}")
        return error

    def _no_memory_for(self, request: IncomingRequest) -> Error | None:
        if request.content_length >= request.adj.max_request_body_size:
            return RequestEntityTooLarge("")
        held: Counter[str] = Counter()
        for channel in list(self.shared.channels.values()):
            waiting = [*channel.requests, channel.request]
            held[channel.visitor] += sum(
                one.body_most for one in waiting if one is not None and one is not request
            )
        if held[self.visitor] + request.body_most > limits.BODIES_EACH:
            return TooManyRequests("")
        if held.total() + request.body_most > limits.BODIES_MAX:
            return Busy("")
        return None

    def check_times(self, now_s: float) -> None:
        """End this connection if it is too slow."""
        if not self.total_outbufs_len:
            self.slow = None
        if self.lingering_s is not None:
            self.will_close = now_s - self.lingering_s > limits.LINGER_S
        elif self.total_outbufs_len:
            since_s, sent = self.slow or (now_s, self.sent)
            self.slow = (since_s, sent)
            if now_s - since_s > limits.SEND_S:
                self.slow = None
                if self.sent - sent < limits.SENT_LEAST:
                    self.shared.tally.add("slow_readers")
                    self.handle_close()  # now: one that takes nothing is never ready for more
        elif self.requests:
            self.began_s = now_s
            if self.request is not None:
                self.request.body_began_s = now_s
        elif self.request is not None and self.request.headers_finished:
            if now_s - self.request.body_began_s > self.request.seconds_for_body():
                self._time_out()
        elif self.shaking or self.request is not None:
            if now_s - self.began_s > limits.HEADER_S:
                self._time_out()
        elif now_s - self.began_s > limits.IDLE_S:
            self.will_close = True

    def _time_out(self) -> None:
        self.shared.tally.add("status_408")
        if self.shaking:
            self.will_close = True
            return
        self.send(limits.raw_answer(408), do_close=False)
        self._linger()

    def evict(self) -> None:
        """Close this connection for a new one."""
        if self.request is not None and self.lingering_s is None:
            self.send(limits.raw_answer(408), do_close=False)
        self.handle_close()
