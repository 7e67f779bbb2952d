"""Commands: signatures, and the tables and sentences that they print."""
