"""From effects to money to at most three moves before the next shift."""
