"""Beside the floors: simulated vehicles, from script to capture text.

Imports nothing of rules, plan or judge. File by file, in the order of the flow:

=====================  ========================================================================
``vehicle.py``         the vehicle as built: pack, contactors, units, 12 V; the demo vehicles
``wiring.py``          how its nodes send: units, codes, cycles, when they wake and sleep
``messages.py``        the messages and signals that follow from it, and the definition file
``script.py``          what the driver does: actions in time, and the inputs that follow
``random_vehicle.py``  random vehicles and scripts
``random_wiring.py``   random wiring for them
``physics.py``         acts a script out on a vehicle, millisecond by millisecond: ``Truth``
``contactors.py``      of that, the contactor box
``shaft.py``           of that, one drive unit on its stand
``heat.py``            of that, the temperatures
``sensors.py``         what the sensors make of the truth: ``Readings``
``bits.py``            values to payload bits, and the checksum
``nodes.py``           every node sends its messages while it is awake
``recording.py``       the recorded frames, and their candump text
``faults/``            what can be wrong at each of these steps, and which rules must then fail
``runs.py``            ``make_run``: all of the above in order; the marks of a witness
``plans.py``           the bench plans of a vehicle
``folder.py``          ``write_run``: capture, definitions, plan and truth into a folder
``samples.py``         the files in ``dbc_examples`` and ``sample_logs``
=====================  ========================================================================
"""
