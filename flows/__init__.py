"""The steps of a run, composed: plain in `steps`, under Prefect in `schedule` (the only module that imports it)."""
