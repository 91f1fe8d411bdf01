"""The mathematics of the shop's figures: arrays go in, frozen results come out.

Nothing here knows of tables, files, machines or money; import the module that is needed, so that small commands start
at once.
"""
