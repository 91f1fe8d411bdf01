"""The relations of core that sweeps make; a module's docstring ends with what a .sql file says in its head."""
