"""Floor 9: one page in the browser for before, during and after a bench test.

=================  ==========================================================================
``place.py``       the folder that the page works in, its address and its token
``security.py``    who may ask, and for what: host, token, origin, size; what a page may load
``uploads.py``     files that a browser sends, straight to the disk and never larger than allowed
``documents.py``   reports, shown as pages that belong to no site
``requests.py``    what a browser posted, and how an error is answered
``pages.py``       pages from templates; everything is escaped
``adapters.py``    what of the computer can be listened to
``before.py``      the plan, the buses, the cautions, the sound, the start
``draft.py``       a first plan from a capture and definitions, answered as a form
``during.py``      the run while it is recorded
``after.py``       reports and curves
``attendant.py``   a run in a process of its own, which the server may leave and find again
``attended.py``    starts it, finds it, asks it
``state.py``       one instant of a run as plain data
``app.py``         puts the parts together
``serve.py``       listens
=================  ==========================================================================

A part is a file with ``routes(place) -> list[Route]``; ``app.PARTS`` names it. A function that
works for long is a plain ``def``: it runs in a thread of its own.
"""
