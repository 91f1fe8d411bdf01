"""Relations that are made in Python: sweeps over observations in order of time, in flat arrays.

A module of core/ is one relation; its name is the relation's. What it reads it asks for by the names of sql/sweep.
"""
