"""What a service answers when it can't do what was asked."""

from __future__ import annotations

from pitwise.records.faults import BookBusyError, BookError, BookFullError

__all__ = [
    "BookBusyError",
    "BookError",
    "BookFullError",
    "ConflictError",
    "NotAllowedError",
    "NotFoundError",
    "NotYetError",
    "QuestionError",
    "ServiceError",
    "ThrottledError",
    "UnfinishedError",
]


class ServiceError(Exception):
    """Bad input: names the place and the mend; nothing was changed.

    Attributes
    ----------
    place, problem, mend : str
    status : int
        The HTTP status a web face answers with.
    """

    status = 422

    def __init__(self, place: str, problem: str, mend: str) -> None:
        self.place, self.problem, self.mend = place, problem, mend
        super().__init__(f"{place}: {problem.removesuffix('.')}. Mend: {mend.removesuffix('.')}.")


class NotAllowedError(ServiceError):
    """The person's role does not allow this."""

    status = 403


class NotFoundError(ServiceError):
    """There is no such thing in the book."""

    status = 404


class NotYetError(ServiceError):
    """What is refused now may be right later: a moment that is still to come."""


class ConflictError(ServiceError):
    """Something changed meanwhile, or the state does not allow it."""

    status = 409


class QuestionError(ConflictError):
    """Something is likelier a slip than so: nothing is written before a person says it is.

    Attributes
    ----------
    answer : str
        What the form sends back when it is so.
    """

    def __init__(self, place: str, problem: str, mend: str, *, answer: str) -> None:
        super().__init__(place, problem, mend)
        self.answer = answer


class UnfinishedError(ServiceError):
    """An inspection that can't be signed yet; `problem` lists everything that is open."""


class ThrottledError(ServiceError):
    """Too many failed sign-ins."""

    status = 429
