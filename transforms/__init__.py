"""Pure functions: frames and parameters in, frames out; the readers; the warehouse door."""
