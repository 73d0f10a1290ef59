"""The application record: what the log knows, what the person adds, and what is left visibly blank.

elements  which elements there are, and which rule asks for each
draft     a record of one run: filled in from the log, completed by the person
book      the season's records in one file that only grows
page      records as a printable page; table: as CSV
"""
