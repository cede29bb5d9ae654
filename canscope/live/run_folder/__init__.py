"""The folder of one run: what is in it, and what can be learned from it afterwards.

======================  ==========================================================================
``layout.py``           the names of the files
``folder.py``           ``RunFolder``: locked while recorded, with a copy of the plan, completed
``run_file_schema.py``  what run.toml holds, as dataclasses
``run_file.py``         reading, writing and completing run.toml
``toml.py``             writing TOML, and replacing a file as a whole
``notes.py``            what a report must say of how a run was recorded
``turning_time.py``     how long each unit has turned
``earlier_runs.py``     what the earlier runs of a vehicle have shown, and how a plan learns of it
======================  ==========================================================================
"""
