"""Runs a participant on MQTT: one thread that reads, publishes, ticks in time and connects again by itself.

host = MqttHost(node, "localhost", 1883)
host.start()
...
host.stop()
"""

from __future__ import annotations

import selectors
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress

from protocol.participant import Delivery, Participant, Publication
from protocol.trouble import Trouble
from protocol.wire.back_off import BackOff
from protocol.wire.connect_trouble import trouble_of, unanswered
from protocol.wire.dial import Dialler
from protocol.wire.endpoint import Endpoint
from protocol.wire.fail_stop import fail
from protocol.wire.mqtt_link import Accepted, Closed, MqttLink, Refused, Subscribed
from protocol.wire.parting import parting_of

Work = Callable[[Participant, int], Sequence[Publication]]
"""Called with the participant and the present time in ms; gives what is to be published."""

LOOK_AFTER_MS = 250
READS_AT_ONCE = 50
"""Packets read between two looks at the clock, so that a flood does not hold up a tick."""
FLUSH_S = 1.0


def monotonic_ms() -> int:
    """Milliseconds of the process's monotonic clock."""
    return time.monotonic_ns() // 1_000_000


class MqttHost:
    """One participant on one broker. All calls of the participant are made on the host's own thread."""

    def __init__(
        self,
        participant: Participant,
        host: str,
        port: int,
        *,
        user: str | None = None,
        password: str | None = None,
        tls: ssl.SSLContext | None = None,
        version: int = 311,
        clock: Callable[[], int] = monotonic_ms,
    ) -> None:
        """`version` is 311 (MQTT 3.1.1) or 5; `clock` gives monotonic milliseconds."""
        self._participant = participant
        self._endpoint = Endpoint(host, port, user, password, tls, version)
        self._clock = clock
        self._back_off = BackOff()
        self._link: MqttLink | None = None
        self._up = False
        self._early: list[Delivery] = []
        self._dialler: Dialler | None = None
        self._dial_at_ms: int | None = None
        self._jobs: deque[tuple[Work, Future[bool]]] = deque()
        self._stopping: bool | None = None
        self._changed = threading.Condition()
        self._first_trouble: Trouble | None = None
        self._unanswered = False
        """Whether the first connection was closed before an answer came."""
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name=f"mqtt {participant.client_id}", daemon=True)
        self._ear, self._bell = socket.socketpair()
        self._ear.setblocking(False)

    @classmethod
    def at(cls, endpoint: Endpoint, participant: Participant) -> MqttHost:
        """A host that brings a participant onto the broker at `endpoint`, ready to `start`."""
        user, password, tls = endpoint.user, endpoint.password, endpoint.tls
        host, port, version = endpoint.host, endpoint.port, endpoint.version
        return cls(participant, host, port, user=user, password=password, tls=tls, version=version)

    # ------------------------------------------------------------ from any thread
    @property
    def is_up(self) -> bool:
        """Whether the link is up and subscribed."""
        return self._up

    @property
    def failure(self) -> BaseException | None:
        """The error that ended the host's thread, if one did: a fault in the participant."""
        return self._failure

    def start(self, wait_s: float | None = 10.0) -> None:
        """Start, and wait until the participant is connected and subscribed.

        With None it does not wait, and goes on trying if there is no broker yet. Else it raises Trouble for
        an unknown host, no broker, refused credentials, a refused subscription, or no answer in time, and
        has stopped again.
        """
        self._thread.start()
        if wait_s is None:
            return
        with self._changed:
            self._changed.wait_for(lambda: self._up or self._first_trouble or self._failure, wait_s)
            up, trouble = self._up, self._first_trouble
        if not up:
            self.stop(graceful=False)
            if self._unanswered:
                raise unanswered(self._endpoint)
            raise trouble or Trouble(
                f"the broker did not answer within {wait_s:g} s",
                where=str(self._endpoint),
                fix="Check that an MQTT broker listens there, and with or without TLS as asked for",
            )

    def wait_up(self, timeout_s: float) -> bool:
        """Wait until the link is up and subscribed; False if it is not in time. Raises the host's failure."""
        with self._changed:
            self._changed.wait_for(lambda: self._up or self._failure is not None, timeout_s)
            self._raise_failure()
            return self._up

    def wait_down(self, timeout_s: float) -> bool:
        """Wait until the link is down; False if it is not in time. Raises the host's failure."""
        with self._changed:
            self._changed.wait_for(lambda: not self._up or self._failure is not None, timeout_s)
            self._raise_failure()
            return not self._up

    def wait_failed(self, timeout_s: float) -> None:
        """Wait, with the link up or down. Raises the host's failure as soon as there is one."""
        with self._changed:
            self._changed.wait_for(lambda: self._failure is not None, timeout_s)
            self._raise_failure()

    def call(self, work: Work, timeout_s: float = 5.0) -> bool:
        """Run `work(participant, now_ms)` on the host's thread and publish what it returns.

        Gives whether the link was up; if not, nothing was published. Raises what `work` raises,
        TimeoutError, or RuntimeError when the host does not run.
        """
        if threading.current_thread() is self._thread:
            return self._do(work)
        done: Future[bool] = Future()
        with self._changed:
            self._raise_failure()
            if self._stopping is not None or not self._thread.is_alive():
                raise RuntimeError("the host does not run")
            self._jobs.append((work, done))
        self._ring()
        return done.result(timeout_s)

    def stop(self, *, graceful: bool = True) -> None:
        """Stop and wait for the end; a second call does nothing. Raises the host's failure, once.

        Gracefully: parting message, DISCONNECT [LNK-16]. Else the connection is broken off, as if the process
        had died, and the broker sends the will.
        """
        with self._changed:
            if self._stopping is None:
                self._stopping = graceful
        self._ring()
        if threading.current_thread() is self._thread:
            return
        if self._thread.ident is not None:
            self._thread.join()
        self._bell.close()
        self._ear.close()
        with self._changed:
            failure, self._failure = self._failure, None
        if failure is not None:
            raise failure

    def __enter__(self) -> MqttHost:
        self.start()
        return self

    def __exit__(self, *exception: object) -> None:
        self.stop()

    def _raise_failure(self) -> None:
        if self._failure is not None:
            raise RuntimeError("the participant failed") from self._failure

    def _ring(self) -> None:
        with suppress(OSError):  # stopped already
            self._bell.send(b"!")

    # ------------------------------------------------------------ the host's thread
    def _run(self) -> None:
        try:
            self._dial()
            while self._stopping is None:
                self._tick_if_due()
                self._wait()
                self._work_off()
            if self._stopping:
                self._say_goodbye()
        except BaseException as error:  # noqa: BLE001  # kept for whoever asks next
            with self._changed:
                self._failure = error
                self._stopping = False
            fail(error)
        finally:
            self._end()

    def _wait(self) -> None:
        """Wait for bytes, a bell or the next date, and move bytes."""
        link = self._link
        sock = link.socket if link is not None else None
        with selectors.DefaultSelector() as selector:
            selector.register(self._ear, selectors.EVENT_READ)
            if link is not None and sock is not None:
                both = selectors.EVENT_READ | (selectors.EVENT_WRITE if link.wants_write else 0)
                selector.register(sock, both)
            ready = {key.fileobj: mask for key, mask in selector.select(self._time_out_s())}
        if self._ear in ready:
            self._ear.recv(4096)
        if link is not None and sock is not None:
            mask = ready.get(sock, 0)
            if mask & selectors.EVENT_WRITE:
                link.write()
            if mask & selectors.EVENT_READ:
                self._read(link, sock)
            link.look_after()

    def _read(self, link: MqttLink, sock: socket.socket) -> None:
        for _ in range(READS_AT_ONCE):
            known = len(link.events)
            link.read()
            if link.socket is not sock or len(link.events) == known:
                return
            self._handle_events()

    def _time_out_s(self) -> float:
        now_ms = self._clock()
        dates = [now_ms + LOOK_AFTER_MS]
        due_ms = self._participant.next_tick(now_ms)
        if due_ms is not None:
            dates.append(due_ms)
        if self._dial_at_ms is not None:
            dates.append(self._dial_at_ms)
        return max(1, min(dates) - now_ms) / 1000

    def _work_off(self) -> None:
        """Do what the other threads and the link have left."""
        if self._dialler is not None and self._dialler.finished:
            self._dialled(self._dialler)
        self._handle_events()
        while self._jobs:
            work, done = self._jobs.popleft()
            try:
                done.set_result(self._do(work))
            except Exception as error:  # noqa: BLE001  # it belongs to the caller
                done.set_exception(error)
        if self._dial_at_ms is not None and self._clock() >= self._dial_at_ms:
            self._dial()

    def _do(self, work: Work) -> bool:
        self._publish(work(self._participant, self._clock()))
        return self._up

    def _tick_if_due(self) -> None:
        now_ms = self._clock()
        due_ms = self._participant.next_tick(now_ms)
        if due_ms is not None and due_ms <= now_ms:
            self._publish(self._participant.tick(now_ms))

    # ------------------------------------------------------------ connecting
    def _dial(self) -> None:
        """Open a new connection; `_dialled` goes on with it."""
        self._dial_at_ms = None
        self._dialler = Dialler(self._endpoint, self._ring, look=self._first_trouble is None)

    def _dialled(self, dialler: Dialler) -> None:
        self._dialler = None
        try:
            sock = dialler.result()
        except Trouble as trouble:
            self._lost(trouble)
        else:
            self._link = MqttLink(self._participant, self._endpoint, sock)

    def _lost(self, trouble: Trouble) -> None:
        """The link is down: tell it, and try again later [LNK-10]."""
        self._link = None
        self._early = []
        self._dial_at_ms = self._clock() + self._back_off.next_ms()
        was_up = self._up
        with self._changed:
            self._up = False
            self._first_trouble = self._first_trouble or trouble
            self._changed.notify_all()
        if was_up:
            self._participant.disconnected(self._clock())

    def _handle_events(self) -> None:
        link = self._link
        if link is None:
            return
        while link.events and self._link is link:
            event = link.events.popleft()
            match event:
                case Delivery():
                    self._receive(event)
                case Accepted():
                    self._accepted(link)
                case Subscribed():
                    self._become_up()
                case Refused(trouble):
                    link.abort()
                    self._lost(trouble)
                case Closed():
                    self._closed(event)

    def _closed(self, event: Closed) -> None:
        # Nothing came, not even an error of TLS: `start` takes a second look, which needs seconds.
        plain = event.error is None or isinstance(event.error, ConnectionError | ssl.SSLEOFError)
        if self._first_trouble is None:
            self._unanswered = event.unanswered and plain
        if event.error is not None and event.unanswered and not plain:
            self._lost(trouble_of(self._endpoint, event.error, look=False))
            return
        self._lost(Trouble(f"the connection was lost: {event.why}", where=str(self._endpoint)))

    def _accepted(self, link: MqttLink) -> None:
        filters = self._participant.subscriptions()
        if filters:
            link.subscribe(filters)  # before anything is published [LNK-07]
        else:
            self._become_up()

    def _become_up(self) -> None:
        self._back_off.reset()
        self._up = True
        self._publish(self._participant.connected(self._clock()))  # the first message [LNK-08]
        early, self._early = self._early, []
        for delivery in early:
            self._receive(delivery)
        with self._changed:
            self._changed.notify_all()

    def _receive(self, delivery: Delivery) -> None:
        """Hand over a message; one that came before SUBACK waits until `connected` has had its say."""
        if not self._up:
            self._early.append(delivery)
            return
        self._publish(self._participant.receive(delivery, self._clock()))
        self._tick_if_due()

    def _publish(self, publications: Sequence[Publication]) -> None:
        """Send; without a link nothing is kept for later, as state messages come again anyway."""
        if self._up and self._link is not None:
            for publication in publications:
                self._link.publish(publication)

    # ------------------------------------------------------------ leaving
    def _say_goodbye(self) -> None:
        link = self._link
        if link is None or not self._up:
            return
        self._publish(parting_of(self._participant, self._clock()))
        end = time.monotonic() + FLUSH_S
        while link.wants_write and link.socket is not None and time.monotonic() < end:
            with selectors.DefaultSelector() as selector:
                selector.register(link.socket, selectors.EVENT_WRITE)
                selector.select(max(0.0, end - time.monotonic()))
            link.write()
        link.leave()

    def _end(self) -> None:
        if self._dialler is not None:
            self._dialler.drop()
        if self._link is not None:
            self._link.abort()
        was_up, graceful = self._up, bool(self._stopping)
        with self._changed:
            self._up = False
            jobs, self._jobs = list(self._jobs), deque()
            self._changed.notify_all()
        for _, done in jobs:
            done.set_exception(RuntimeError("the host has stopped"))
        if was_up and graceful:
            self._participant.disconnected(self._clock())
