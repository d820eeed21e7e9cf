"""What the reading of one table may take of the machine."""

from linelog.web.sandbox import Bounds

#: A million rows of counts take 1.0 GB as a workbook and 0.4 GB as CSV.
TABLES = Bounds("tables", memory_bytes=2_000_000_000, cpu_s=300.0, wall_s=600.0)
