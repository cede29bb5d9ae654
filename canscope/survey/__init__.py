"""Frames -> Survey: what a bus without a definition carries, found from its bits alone.

After two published methods. READ (Marchetti, Stabili: "READ: Reverse Engineering of Automotive
Data Frames", IEEE TIFS 2019, DOI 10.1109/TIFS.2018.2870826) finds the fields of a message by how
often each bit flips. CAN-D (Verma et al.: "CAN-D: A Modular Four-Step Pipeline for
Comprehensively Decoding Controller Area Network Data", arXiv 2006.05993) adds byte order and sign.
Theirs are the flip rates, the conditional flips of neighbouring bits, and one byte order a message
chosen by what its bytes say. Ours are the carry (a bit that flips takes its lower neighbour
along, most often the other way), selectors, and checksums proven over differences of frames.

What it finds is inferred: it is where to look, never a proof.
"""
