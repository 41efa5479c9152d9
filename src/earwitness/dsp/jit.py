"""One door to compiled kernels: cached on disk, so that no first run stalls after set-up.

The cache lies in the user's cache folder, since an installed package may be read-only. A kernel compiled before is
taken only while nothing that went into it has changed: its own file, those of the kernels and steps it calls, and the
constants it was compiled with.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from functools import cache, partial
from typing import Any

if "NUMBA_CACHE_DIR" not in os.environ:
    from platformdirs import user_cache_dir

    os.environ["NUMBA_CACHE_DIR"] = os.path.join(user_cache_dir("earwitness"), "kernels")

import numba
import numpy as np
from numba.core.caching import UserProvidedCacheLocator
from numba.core.compiler_lock import global_compiler_lock
from numba.core.typeinfer import register_dispatcher

_waiting: dict[Any, tuple[Any, ...]] = {}  # kernels not loaded yet, and their signatures
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

    With explicit signatures no others are ever compiled; without, what is met first. It is compiled, or taken from the
    cache, when it is first called or a kernel that calls it is compiled: loading takes milliseconds each, and one
    that is only part of others is never loaded. `fastmath` defaults to off: it reorders sums.
    """
    settings = {"cache": True, "nogil": True, **options}
    if not signatures or callable(signatures[0]):
        return numba.njit(*signatures, **settings)

    def later(function: Callable[..., Any]) -> Any:
        made = numba.njit(**settings)(function)
        _waiting[made] = signatures
        # Numba asks for these two, by name, where nothing fits what is compiled so far
        made._compile_for_args = partial(_first_call, made)
        made.get_call_template = partial(_first_use, made)
        return made

    return later


def load_all() -> None:
    """Compile, or take from the cache, all kernels of the modules imported so far."""
    while _waiting:
        _load(next(iter(_waiting)))


def _load(made: Any) -> None:
    with global_compiler_lock:  # Numba's own: a lock beside it could be taken in the other order
        signatures = _waiting.get(made)
        if signatures is None:
            return
        with register_dispatcher(made):  # it may call itself
            for signature in signatures:
                made.compile(signature)
        made.disable_compile()
        del made._compile_for_args, made.get_call_template, _waiting[made]


def _first_call(made: Any, *arguments: Any) -> Any:
    """Give the compiled function that takes these arguments."""
    _load(made)
    kinds = [made.typeof_pyval(argument) for argument in arguments]
    if tuple(kinds) in made.overloads:
        return made.overloads[tuple(kinds)].entry_point
    for wanted, known in made.overloads.items():
        fits = len(wanted) == len(kinds) and all(
            made.typingctx.can_convert(kind, want) is not None
            for kind, want in zip(kinds, wanted, strict=True)
        )
        if fits:
            return known.entry_point
    raise TypeError(f"{made.__name__} takes no {', '.join(map(str, kinds))}")


def _first_use(made: Any, kinds: Any, named: Any) -> Any:
    _load(made)
    return made.get_call_template(kinds, named)
