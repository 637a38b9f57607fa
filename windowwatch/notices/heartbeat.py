"""A sign of life: an address elsewhere is called after each good pass, so that silence is noticed.

A watcher that has died cannot say so. Whoever keeps the address tells people when no call has
come for longer than cycles are apart.
"""

import httpx

from windowwatch.errors import DeliveryError

#: How long one call may take. [s]
TIMEOUT_S = 10.0


def beat(url: str) -> None:
    """Call the address once.

    Raises
    ------
    DeliveryError
        If it cannot be reached or answers with an error. The address may hold a token and
        is not repeated.
    """
    try:
        answer = httpx.get(url, timeout=TIMEOUT_S, follow_redirects=True)
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        raise DeliveryError(
            f"the heartbeat address cannot be called ({type(error).__name__})", retry=True
        ) from None
    if answer.is_error:
        raise DeliveryError(
            f"the heartbeat address answers with status {answer.status_code}", retry=True
        )
