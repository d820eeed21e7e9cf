"""Read a file of shift counts: what kind of file, which columns, which rows are good, what is wrong with the others.

Knows no database and no Django: the names of the plant come in, plain tables go out.
"""
