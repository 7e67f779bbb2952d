"""From files as offices get them to good rows, rejected rows with reasons, and nothing lost between."""
