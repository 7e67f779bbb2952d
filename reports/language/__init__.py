"""Translation, messages, labels and display units."""
