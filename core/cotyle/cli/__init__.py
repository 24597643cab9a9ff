"""The command line."""

from cotyle.cli.one_thread import sum_in_one_order

sum_in_one_order()
