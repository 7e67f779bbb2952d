"""From logged instants to working states, believed sensors and 30 s bins."""
