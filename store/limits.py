"""The largest values a record may hold; every database we use keeps them exactly."""

INSTANT_LIMIT_S = 8e9  # 1716 to 2223: so far a float of seconds is exact to the microsecond
LARGEST_INT = 2**31 - 1  # a plain integer column
LARGEST_SEQ = LARGEST_INT
LARGEST_FLOAT = 2.0**63  # a whole number of that size is still stored as one
