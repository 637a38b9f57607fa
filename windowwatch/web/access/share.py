"""Links that let others read a watch: made, looked up, and what their holders may see."""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.errors import InputError
from windowwatch.storage.shares import Share
from windowwatch.storage.store import Store

#: Bounds of what may be asked for.
SHORTEST, LONGEST = timedelta(hours=1), timedelta(days=366)
USUAL_DAYS = 14
LONGEST_NAME = 80
MOST_SHARES = 200
SHARE_PATH = "/share/"

#: What the holder of a share may read: these paths, and all that begins so. Whatever else
#: there is, and all that will be added, is not for them: notices above all, which
#: ``/data/changes.json`` holds as well.
_FOR_GUESTS = frozenset({
    "/", "/windows", "/sites", "/data", "/live",
    "/data/cycle.json", "/data/hours.json", "/data/hours.csv", "/data/windows.json",
    "/data/windows.ics", "/data/footprints.geojson", "/data/openapi.json",
    "/data/flight.geojson", "/data/flight.kml", "/data/drive.gpx", "/data/map.png",
})  # fmt: skip
_BEGIN_FOR_GUESTS = ("/hour/", "/windows/")


@dataclass(frozen=True)
class NewShare:
    """A share that was just made, with the one showing of its address.

    `path` is to be put behind the page's own address; it cannot be shown again.
    """

    share: Share
    path: str


def make_share(
    store: Store, watch: str, name: str, lasts: timedelta, now_utc: datetime, secret: str
) -> NewShare:
    """Make a link that lets others read.

    Parameters
    ----------
    store : Store
    watch : str
    name : str
        Whom it is for.
    lasts : timedelta
        After that it ends by itself.
    now_utc : datetime
    secret : str
        The word that it carries, see `new_secret`; only its hash is stored.

    Raises
    ------
    InputError
        If name or length are out of bounds, or there are too many that still hold.
    StorageError
        If the database refuses.
    """
    name = name.strip()
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable():
        raise InputError(f"say in 1 to {LONGEST_NAME} letters whom the link is for")
    if not SHORTEST <= lasts <= LONGEST:
        raise InputError(f"a link lasts from one hour to {LONGEST.days} days")
    if sum(share.holds(now_utc) for share in store.shares(watch)) >= MOST_SHARES:
        raise InputError(f"{MOST_SHARES} links hold already: revoke some first")
    share = store.save_share(
        watch,
        token_sha256=digest(secret),
        name=name,
        made_utc=now_utc,
        expires_utc=now_utc + lasts,
    )
    return NewShare(share, f"{SHARE_PATH}{secret}")


def new_secret() -> str:
    """A word by chance, of 256 bits."""
    return secrets.token_urlsafe(32)


def digest(secret: str) -> str:
    """What is stored of a word."""
    return hashlib.sha256(secret.encode()).hexdigest()


def may_read(method: str, path: str) -> bool:
    """Whether a share's holder may have an answer."""
    known = path in _FOR_GUESTS or path.startswith(_BEGIN_FOR_GUESTS)
    return known and method in {"GET", "HEAD"}
