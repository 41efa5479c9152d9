"""One door to compiled kernels: cached on disk, so that no first run stalls after set-up.

The cache lies in the user's cache folder, since an installed package may be read-only.
"""

from __future__ import annotations

import os
from typing import Any

if "NUMBA_CACHE_DIR" not in os.environ:
    from platformdirs import user_cache_dir

    os.environ["NUMBA_CACHE_DIR"] = os.path.join(user_cache_dir("earwitness"), "kernels")

import numba


def kernel(*signatures: Any, **options: Any) -> Any:
    """Compile a function with `numba.njit`, cached and without the interpreter lock.

    Give explicit signatures so that compilation (and the cache) happens at import, or none to compile
    for the types met first. `fastmath` defaults to off: it reorders sums.
    """
    settings = {"cache": True, "nogil": True, **options}
    if signatures and callable(signatures[0]):
        return numba.njit(**settings)(signatures[0])
    return numba.njit(list(signatures) or None, **settings)
