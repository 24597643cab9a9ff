"""Many cases: the table that names them, and one row of measurements for each."""
