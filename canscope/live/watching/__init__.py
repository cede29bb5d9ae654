"""Watching a run while it is recorded: the same judge as offline, and the alarms.

==================  ===============================================================
``session.py``      starts the recorder's process, follows its status, writes marks
``follow.py``       reads the captures as they grow
``watch.py``        judges them, raises alarms, and gives the screen its ``Glance``
``latest.py``       the latest value of every role: turning, stale, temperatures
``traces.py``       the last minute as curves
``alarm_latch.py``  alarms that stay until they are acknowledged
``delays.py``       how long frames waited to be judged
``sound.py``        the tones of a stop and of a warning
``watchdog.py``     a process that plays them, and cries STOP where the judge stands still
==================  ===============================================================
"""
