"""Floor 4: recording silently, and watching live. Owns clocks, adapters and run folders.

Its rooms, each of which imports only those above it (``tests/live/test_rooms.py``):

=================  ===========================================================================
``adapters/``      the buses: each adapter opens silently and gives frames as candump text
``run_folder/``    what a run leaves behind: its files, run.toml, what earlier runs have shown
``recording/``     the recorder in a process of its own: writes captures and run.toml
``watching/``      starts the recorder, judges what is on the disk, latches alarms
=================  ===========================================================================

``plain_data.py``  reads JSON and TOML as the dataclasses that describe them.
"""
