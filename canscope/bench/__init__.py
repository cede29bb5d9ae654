"""Floor 9: one page in the browser for before, during and after a bench test.

=================  ==========================================================================
``place.py``       the folder that the page works in, its address and its token
``security.py``    who may ask, and for what: host, token, origin, size; what a page may load
``uploads.py``     files that a browser sends, straight to the disk and never larger than allowed
``requests.py``    what a browser posted, and how an error is answered
``pages.py``       pages from templates; everything is escaped
``before.py``      buses, plan, card, cautions, sound
``during.py``      the run while it is recorded
``after.py``       reports and curves
``app.py``         puts the parts together
``serve.py``       listens
=================  ==========================================================================

A part is a file with ``routes(place) -> list[Route]``; ``app.PARTS`` names it. A function that
works for long is a plain ``def``: it runs in a thread of its own.
"""
