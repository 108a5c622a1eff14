"""Give memory back: a process that works on much now and then should not keep it for ever."""

from __future__ import annotations

import ctypes

import pyarrow as pa

_ARENA_MAX = -8
"""Name of a setting in glibc's malloc.h; from memory."""

ARENAS = 2
"""Arenas of the C library's allocator, in place of eight for each processor: threads that work in turn then
share what they free."""


def be_frugal() -> bool:
    """Let all threads share freed memory, Arrow's too, where the C library can be told so.

    Measured with six threads that read 360 windows of a year of eight sensors, a reading a second: 145 MB
    before, at most 252 MB, and 178 MB after `give_back`; 299, 266 with Arrow's own pool.

    Returns
    -------
    bool
        Whether the C library took the setting; without it everything works, with more memory.
    """
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return False
    return bool(mallopt(_ARENA_MAX, ARENAS))


def give_back() -> bool:
    """Give the system what is free now; costs about a millisecond.

    Returns
    -------
    bool
        Whether there was something that the C library could give.
    """
    try:
        return bool(ctypes.CDLL(None).malloc_trim(0))
    except (AttributeError, OSError, TypeError):
        return False
