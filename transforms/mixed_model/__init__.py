"""Mixed models by REML: independent of beets."""
