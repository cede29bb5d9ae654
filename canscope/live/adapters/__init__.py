"""The buses a recorder hears. Nothing here ever transmits on one.

====================  =================================================================
``adapter.py``        what every adapter does: ``open``, ``flush``, ``read``, ``close``
``address.py``        ``NAME=KIND:ADDRESS``, as the command line names a bus
``kinds.py``          the table of adapter classes; a new kind is one more row
``slcan.py``          adapters on a serial line with the slcan text protocol
``python_can.py``     every interface that python-can knows, SocketCAN among them
``replay.py``         a recorded file in place of a bus
``candump_lines.py``  frames as candump text
====================  =================================================================
"""
