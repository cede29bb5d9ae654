"""Many runs through Dask: found, judged one task a run, and put together as tables."""
