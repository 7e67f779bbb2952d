"""The demo season: an invented district that writes exports as offices get them, and keeps its truth apart."""
