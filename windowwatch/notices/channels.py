"""The way to phones, chat and mail: the only import of apprise.

apprise answers "sent" or "not sent" and tells its log why. The log is listened to for the
one thing that is safe to repeat, the kind of failure; an address, which may hold a
password, is never repeated. How far a message came is seen on the wire (`wire.py`).
"""

import logging
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from http import HTTPStatus
from typing import Any

import apprise
from apprise.attachment.memory import AttachMemory

from windowwatch.errors import DeliveryError, UnansweredError
from windowwatch.notices.values import Channel, Message, Timeouts
from windowwatch.notices.wire import Handover, watched

_LOG = logging.getLogger(__name__)
_LISTENING = threading.Lock()
_HEARD: ContextVar[list[str] | None] = ContextVar("heard", default=None)
_ears: list[logging.Handler] = []
_before: list[tuple[int, bool]] = []
_STATUS = re.compile(r"error=(\d{3})\b")


def check_channel_url(channel: Channel) -> None:
    """Check that an address is one that apprise can use; nothing is sent.

    Raises
    ------
    DeliveryError
        Names the channel and the kind of service, never the address.
    """
    _service(channel)


def send(channel: Channel, message: Message, timeouts: Timeouts | None = None) -> tuple[str, ...]:
    """Hand one message to one channel; several threads may at the same time.

    Parameters
    ----------
    channel : Channel
    message : Message
    timeouts : Timeouts, optional
        How long is waited, unless the channel's own address says so (``cto`` and ``rto``);
        ten seconds for a connection and a minute for an answer when None.

    Returns
    -------
    tuple of str
        What is odd about an answer that says it was taken: kinds of pages, where a service
        answers with a page for people, such as one to log in. Empty as a rule.

    Raises
    ------
    UnansweredError
        If the message left whole and nothing was answered: it may have arrived.
    DeliveryError
        `retry` is False when the address itself is of no use; everything else is worth
        another try, also a refusal by the service: the price of a needless try is small, that
        of a lost notice is not.
    """
    waits = timeouts or Timeouts()
    service = _service(channel, waits)
    body = message.full if channel.long and message.full else message.body
    if message.picture is not None and _takes_pictures(service):
        try:
            return _hand_over(service, channel, message.title, body, message.picture, waits)
        except UnansweredError:
            raise  # it may have arrived: not twice
        except DeliveryError as error:
            # Better the text twice, with the same key, than not at all.
            _LOG.warning("%s with the picture; sent again without", error.message)
    return _hand_over(service, channel, message.title, body, None, waits)


def _takes_pictures(service: apprise.Apprise) -> bool:
    return all(bool(getattr(each, "attachment_support", False)) for each in service)


def _hand_over(
    service: apprise.Apprise,
    channel: Channel,
    title: str,
    body: str,
    picture: bytes | None,
    timeouts: Timeouts,
) -> tuple[str, ...]:
    """One attempt; what fails is said without the address."""
    attached = None
    if picture is not None:
        attached = AttachMemory(  # type: ignore[no-untyped-call]
            content=picture, name="map.png", mimetype="image/png"
        )
    with _listen() as heard, watched(timeouts) as handed:
        try:
            sent = service.notify(title=title, body=body, attach=attached)
        except Exception as error:
            # A service's own code may raise anything, and its text may hold the address.
            _refuse_unanswered(handed, channel)
            raise DeliveryError(
                f"channel {channel.name!r}: the service failed ({type(error).__name__})",
                retry=True,
            ) from None
    if not sent:
        _refuse_unanswered(handed, channel)
        raise DeliveryError(f"channel {channel.name!r}: {_reason(heard)}", retry=True)
    return tuple(handed.pages)


def _refuse_unanswered(handed: Handover, channel: Channel) -> None:
    if handed.unanswered:
        words = "the message was sent and the service did not answer in time; it may have arrived"
        raise UnansweredError(f"channel {channel.name!r}: {words}", retry=True) from None
    if handed.taken:
        words = "the mail server took the message for some of its receivers only"
        raise UnansweredError(f"channel {channel.name!r}: {words}", retry=True) from None


def _service(channel: Channel, timeouts: Timeouts | None = None) -> apprise.Apprise:
    """Make the service of a channel: no files of its own, no threads."""
    asset = apprise.AppriseAsset(
        app_id="windowwatch",
        app_desc="windowwatch",
        async_mode=False,
        storage_mode=apprise.PersistentStoreMode.MEMORY,
    )
    service = apprise.Apprise(asset=asset)
    scheme = channel.url.partition("://")[0] if "://" in channel.url else ""
    with _listen():
        try:
            usable = bool(service.add(channel.url)) and len(service) == 1
        except Exception as error:
            # Its text may hold the address.
            raise DeliveryError(
                f"channel {channel.name!r}: its service cannot be set up ({type(error).__name__})"
            ) from None
    if not usable:
        kind = f"a usable {scheme}:// address" if scheme.isalnum() else "an address"
        raise DeliveryError(
            f"channel {channel.name!r}: what its variable holds is not {kind} of one service; "
            "give it in apprise's form, for example ntfy://ntfy.example/topic (the address is "
            "kept secret and not shown here)"
        )
    for each in service:
        _give_time(each, timeouts or Timeouts())
    return service


def _give_time(each: Any, timeouts: Timeouts) -> None:
    """Set how long a service waits, where its address does not say so itself."""
    # Its own default is four seconds for both, and a slow service is not one that is away.
    for name, wanted_s in (
        ("socket_connect_timeout", timeouts.connect_s),
        ("socket_read_timeout", timeouts.read_s),
    ):
        if getattr(each, name, None) == getattr(type(each), name, None):
            setattr(each, name, wanted_s)


@contextmanager
def _listen() -> Iterator[list[str]]:
    """Collect what apprise says to its log in this thread, and keep it from going elsewhere."""
    heard: list[str] = []
    # Not by thread: apprise may send in one of its own, which it gives this context.
    token = _HEARD.set(heard)

    class _Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if _HEARD.get() is heard:
                heard.append(record.getMessage())

    log = logging.getLogger("apprise")
    ear = _Ear(logging.WARNING)
    with _LISTENING:
        if not _ears:
            _before.append((log.level, log.propagate))
            log.setLevel(logging.WARNING)
            log.propagate = False
        _ears.append(ear)
        log.addHandler(ear)
    try:
        yield heard
    finally:
        _HEARD.reset(token)
        with _LISTENING:
            log.removeHandler(ear)
            _ears.remove(ear)
            if not _ears:
                level, log.propagate = _before.pop()
                log.setLevel(level)


def _reason(heard: list[str]) -> str:
    """The kind of failure in words of our own: foreign text could hold the address."""
    text = " ".join(heard)
    status = _STATUS.search(text)
    if status:
        code = int(status.group(1))
        name = f" ({HTTPStatus(code).phrase})" if code in set(HTTPStatus) else ""
        return f"the service refused with status {code}{name}"
    if "connection" in text.lower() or "timed out" in text.lower():
        return "the service cannot be reached; check network, host and port"
    return "the service did not take the message"
