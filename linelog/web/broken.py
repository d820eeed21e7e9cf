"""What a file did to a library that read it. A module of its own: the process that reads files knows it too."""


class Broken(RuntimeError):
    """A library broke on a file in a way that nobody foresaw; the process goes on."""

    @property
    def sentence(self) -> str:
        """Say what happened, for the person who sent the file."""
        return "This file cannot be read: it is damaged in a way that stops the reader. Export it again."
