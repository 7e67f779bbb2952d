"""Statistical model of dirt tare, root loss and top tare: effects of settings under the conditions, with intervals."""
