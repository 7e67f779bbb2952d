"""What the soil and the weather were like in each field at each hour."""
