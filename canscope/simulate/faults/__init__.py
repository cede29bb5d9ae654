"""The faults that a simulated run can be given.

================  ========================================================
``fault.py``      the base of all faults, and their registry
``catalogue.py``  finds them by name; a new family is one more import here
``bus.py``        nodes, buses and the recording itself
``driving.py``    driver inputs, direction and speed
``heat.py``       heat, its sensors and the coolant
``power.py``      the high-voltage side and the 12 V supply
================  ========================================================
"""
