"""Fair comparison of machines, operators, growers and fields: contributions of conditions, settings and the subject."""
