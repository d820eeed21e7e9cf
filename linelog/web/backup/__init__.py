"""Backups: one file that holds every table as of one moment and every kept file, and that either database can take.

A ZIP archive with `manifest.json`, a part `tables/<table>.jsonl` for each table (one row a line) and a part
`files/<path>` for each kept file. The manifest has the size and SHA-256 of each part and the rows of each table; the
archive's comment ends in the SHA-256 of all that stands before it, so that no flipped byte goes unseen.
"""
