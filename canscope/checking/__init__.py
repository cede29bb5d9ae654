"""Floor 7: a whole check, from named files to numbered reports, for every command and the page.

================  =======================================================================
``inputs.py``     which captures, plan and marks: named one by one, or those of a run folder
``judging.py``    reads, decodes and judges them
``numbered.py``   writes reports under the next free number
``memory.py``     when garbage is collected, and when freed memory goes back
================  =======================================================================
"""
