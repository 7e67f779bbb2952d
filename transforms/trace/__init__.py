"""From a weigh ticket back to the minutes of lifting that filled it."""
