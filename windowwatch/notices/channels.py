"""The way to phones, chat and mail: the only import of apprise.

apprise answers "sent" or "not sent" and tells its log why. The log is listened to for the
one thing that is safe to repeat, the kind of failure; an address, which may hold a
password, is never repeated.
"""

import logging
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http import HTTPStatus

import apprise
from apprise.attachment.memory import AttachMemory

from windowwatch.errors import DeliveryError
from windowwatch.notices.values import Channel, Message

_LOG = logging.getLogger(__name__)
_LISTENING = threading.Lock()
_STATUS = re.compile(r"error=(\d{3})\b")


def check_channel_url(channel: Channel) -> None:
    """Check that an address is one that apprise can use; nothing is sent.

    Raises
    ------
    DeliveryError
        Names the channel and the kind of service, never the address.
    """
    _service(channel)


def send(channel: Channel, message: Message) -> None:
    """Hand one message to one channel.

    Raises
    ------
    DeliveryError
        `retry` is False when the address itself is of no use; everything else is worth
        another try, also a refusal by the service: the price of a needless try is small, that
        of a lost notice is not.
    """
    service = _service(channel)
    body = message.full if channel.long and message.full else message.body
    if message.picture is not None and _takes_pictures(service):
        try:
            _hand_over(service, channel, message.title, body, message.picture)
        except DeliveryError as error:
            # Better the text twice, with the same key, than not at all.
            _LOG.warning("%s with the picture; sent again without", error.message)
        else:
            return
    _hand_over(service, channel, message.title, body, None)


def _takes_pictures(service: apprise.Apprise) -> bool:
    return all(bool(getattr(each, "attachment_support", False)) for each in service)


def _hand_over(
    service: apprise.Apprise, channel: Channel, title: str, body: str, picture: bytes | None
) -> None:
    """One attempt; what fails is said without the address."""
    attached = None
    if picture is not None:
        attached = AttachMemory(  # type: ignore[no-untyped-call]
            content=picture, name="map.png", mimetype="image/png"
        )
    with _listen() as heard:
        try:
            sent = service.notify(title=title, body=body, attach=attached)
        except Exception as error:
            # A service's own code may raise anything, and its text may hold the address.
            raise DeliveryError(
                f"channel {channel.name!r}: the service failed ({type(error).__name__})",
                retry=True,
            ) from None
    if not sent:
        raise DeliveryError(f"channel {channel.name!r}: {_reason(heard)}", retry=True)


def _service(channel: Channel) -> apprise.Apprise:
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
    return service


@contextmanager
def _listen() -> Iterator[list[str]]:
    """Collect what apprise says to its log, and keep it from going anywhere else."""
    heard: list[str] = []

    class _Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            heard.append(record.getMessage())

    log = logging.getLogger("apprise")
    ear = _Ear(logging.WARNING)
    with _LISTENING:
        level, propagate = log.level, log.propagate
        log.addHandler(ear)
        log.setLevel(logging.WARNING)
        log.propagate = False
        try:
            yield heard
        finally:
            log.removeHandler(ear)
            log.setLevel(level)
            log.propagate = propagate


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
