"""Beside the floors: the demo vehicles, made in numbers. Imports nothing of rules, plan or judge.

``make_run`` (``runs.py``) builds one run: a driver's script acted out on a vehicle, with or
without a fault. ``write_run`` (``folder.py``) writes its capture, definitions, plan and truth.
"""
