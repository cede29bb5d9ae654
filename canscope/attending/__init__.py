"""Floor 8: one run while a person attends it, whether at a terminal or at the page.

====================  ====================================================================
``setup.py``          what is asked for, and what the recorder is told
``attended_run.py``   started, judged, marked, acknowledged, ended, and its report written
``words.py``          what a person is told: the order under the word, alarms, reasons, buses
``hand_readings.py``  what a person's own instrument can read on this vehicle
====================  ====================================================================
"""
