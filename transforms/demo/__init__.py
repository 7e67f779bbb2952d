"""The demo season: a simulated district with realistic export files, and its true values for tests."""
