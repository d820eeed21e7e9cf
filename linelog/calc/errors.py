"""The one exception that the computing core raises on bad input."""


class CalcError(ValueError):
    """Bad input, told in one sentence that a mechanic can act on.

    `field` names the input it belongs to, so that a form can show the sentence beside it.
    """

    def __init__(self, message: str, *, field: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.field = field
