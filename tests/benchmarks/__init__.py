"""How fast canscope is beside what else can be done with the same traffic; no part of the tests.

``python -m tests.benchmarks`` makes the traffic, runs everything and prints the ratios.
"""
