"""A file that cannot be read, and why."""


class FileRefused(Exception):
    """The whole file is refused with one sentence for the person who sent it."""

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence
