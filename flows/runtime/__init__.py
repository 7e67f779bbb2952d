"""Process management: Prefect server and environment, Dask cluster, local pool, progress."""
