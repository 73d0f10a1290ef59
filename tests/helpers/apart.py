"""A test in a thread of its own: the browser's interface keeps an event loop running in the tests' thread."""

import functools
import threading
from collections.abc import Callable
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


def apart(work: Callable[P, T]) -> Callable[P, T]:
    """`work` in a thread; what it returns or raises is the caller's."""

    @functools.wraps(work)
    def there(*args: P.args, **kwargs: P.kwargs) -> T:
        found: list[T] = []
        raised: list[BaseException] = []

        def run() -> None:
            try:
                found.append(work(*args, **kwargs))
            except BaseException as error:  # pytest's own outcomes too
                raised.append(error)

        thread = threading.Thread(target=run)
        thread.start()
        thread.join()
        if raised:
            raise raised[0]
        return found[0]

    return there
