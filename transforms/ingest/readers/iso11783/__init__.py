"""ISO 11783-10 task data: what machines log through the open standard, read strictly and without personal data."""
