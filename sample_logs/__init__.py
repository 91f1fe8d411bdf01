"""The demo shop: run logs of three invented machines that make parts for telescope mounts.

Every log here is synthetic. The logs were computed by `python -m sample_logs.generate` from plan.toml and shop.toml; no
real machine, shop, customer or person stands behind them, and all costs are invented. truth.json says what was planted.
"""
