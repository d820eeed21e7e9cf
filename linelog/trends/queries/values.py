"""Results with what the amendments say of them, by the name under which trends know them; they live with the log."""

from linelog.alignment.values import last_words, latest, signed_results, standing

__all__ = ["last_words", "latest", "signed_results", "standing"]
