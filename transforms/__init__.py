"""Computation, ingest, storage and operations of taretrace."""
