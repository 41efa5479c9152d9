"""One door to compiled kernels: cached on disk, so that no first run stalls after set-up.

The cache lies in the user's cache folder, since an installed package may be read-only. A kernel compiled before is
taken only while nothing that went into it has changed: its own file, those of the kernels and steps it calls, and the
constants it was compiled with.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from functools import cache
from typing import Any

if "NUMBA_CACHE_DIR" not in os.environ:
    from platformdirs import user_cache_dir

    os.environ["NUMBA_CACHE_DIR"] = os.path.join(user_cache_dir("earwitness"), "kernels")

import numba
import numpy as np
from numba.core.caching import UserProvidedCacheLocator

_FROZEN = (bool, int, float, complex, str, tuple)


class KernelLocator(UserProvidedCacheLocator):  # type: ignore[misc]  # Numba gives no types
    """Tells by all that went into a kernel whether what is cached of it still holds."""

    def __init__(self, py_func: Callable[..., Any], py_file: str):
        super().__init__(py_func, py_file)
        self._py_func = py_func

    def get_source_stamp(self) -> tuple[Any, ...]:
        """Give the digest of its file, those of the files it draws on, and its constants."""
        files: set[str] = set()
        constants: set[str] = set()
        waiting, known = [self._py_func], set()
        while waiting:
            function = waiting.pop()
            if function in known:
                continue
            known.add(function)
            files.add(function.__code__.co_filename)
            for name, value in _names(function):
                inner = getattr(value, "py_func", None) or getattr(value, "_defn", None)
                if callable(inner):
                    waiting.append(inner)
                elif isinstance(value, _FROZEN):
                    constants.add(f"{name} {value!r}")
                elif isinstance(value, np.ndarray):
                    constants.add(f"{name} {hashlib.sha256(value.tobytes()).hexdigest()}")
        beside = tuple(_digest(path) for path in sorted(files - {self._py_file}))
        return super().get_source_stamp(), beside, tuple(sorted(constants))


def _names(function: Callable[..., Any]) -> Iterator[tuple[str, Any]]:
    """Give the names a function takes from its module, and what they stand for."""
    codes = [function.__code__]
    while codes:
        code = codes.pop()
        codes += [item for item in code.co_consts if isinstance(item, type(code))]
        for name in code.co_names:
            if name in function.__globals__:
                yield name, function.__globals__[name]


@cache
def _digest(path: str) -> str:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


numba.config.CACHE_LOCATOR_CLASSES = f"{__name__}.{KernelLocator.__name__}"  # type: ignore[attr-defined]


def kernel(*signatures: Any, **options: Any) -> Any:
    """Compile a function with `numba.njit`, cached and without the interpreter lock.

    Give explicit signatures so that compilation (and the cache) happens at import, or none to compile
    for the types met first. `fastmath` defaults to off: it reorders sums.
    """
    settings = {"cache": True, "nogil": True, **options}
    if signatures and callable(signatures[0]):
        return numba.njit(**settings)(signatures[0])
    return numba.njit(list(signatures) or None, **settings)
