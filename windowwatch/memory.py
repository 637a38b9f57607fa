"""Memory: freed arrays go back to the system, so that a long run stays as small as its work."""

import contextlib
import ctypes

#: Arrays from this size on are mapped by themselves. [byte] Smaller ones are too many for that.
MAPPED_BYTES = 4 << 20
_M_MMAP_THRESHOLD = -3  # <malloc.h> of the GNU C library


def give_back_freed_arrays() -> None:
    """Have large arrays mapped by themselves for the rest of this process.

    The GNU C library raises its bound for that as soon as a large array is freed, up to
    32 MB, and then keeps freed arrays in one heap a thread, where little of them is used
    again: after a few passes a hundred megabytes. Where another C library is at work, nothing
    is done.
    """
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, MAPPED_BYTES)
