"""Reader of ISO 11783-10 task data, with strict parsing and without personal data."""
