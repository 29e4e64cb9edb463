"""How much of the machine the linear algebra of a fit may take."""

from contextlib import AbstractContextManager

from threadpoolctl import ThreadpoolController

_LIBRARIES = ThreadpoolController()


def one_thread() -> AbstractContextManager[object]:
    """While this is entered the linear algebra has one thread.

    The matrices of a fit are small: several threads would wait for each other longer than they work, on a busy machine
    twenty times as long.
    """
    limited: AbstractContextManager[object] = _LIBRARIES.limit(limits=1, user_api="blas")
    return limited
