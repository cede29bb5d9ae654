"""Can this reading be believed? Decided here and nowhere else; rules, judge and live ask.

=============================================== ====================================
who decides ...                                 module
=============================================== ====================================
that a raw code means "no value"                ``no_value_codes``
why a role has no value at an instant           ``missing_value``
that a value is too old, or values stopped      ``staleness`` (three cycles: ``model.cycle``)
that nothing at all was heard, on any bus       ``silence``
when frames with late stamps were sent          ``even_stamps``
in which order the frames of a counter were     ``sent_order``
that a sensor is stuck                          ``standing_still``
that pedal, brake, torque and speed agree       ``unit_answers``
that a temperature sensor is alive              ``proof_of_life`` with ``heat_course`` and others
that a value may lie beyond what can be shown   ``range_ends``
that a reading fell as nothing real can         ``impossible_fall``
that a contactor's state is its own word        ``echo``, ``pole_word``, ``link_witness``
that it follows its command at all              ``obeys``
that pack current or pack voltage come late     ``trailing``; a whole bus: ``clock_alignment``
that a load goes on and off by itself           ``switching_load``
that a reading does not answer to what moves it ``answers``
that a reading stopped, or is renewed seldom    ``stopped``
that one was held in the midst of a move        ``held``
that one bit of a number never changes          ``dead_bit``
that pack and links give way only under load    ``unloaded``
that the pack gives what the shafts take        ``losses``
that nothing drives against a driver's input    ``driven_on``
that the brake is not made from the pedal       ``feet``
that a reading jumps to and fro                 ``to_and_fro``
that a shaft moves otherwise than by its torque ``shaft_balance``
that a reading is not zero where it has to be   ``zero_point``
how these lower a pass that rests on a role     ``feedback``
that a node restarted, or does not count yet    ``restart``
that frames of several nodes are taken for one  ``identity``
how all this lowers a pass that rests on a role ``role_health``
=============================================== ====================================

When a node is awake and must speak at all is an event of the run: ``canscope.events.sleep``. What a
doubt does to a verdict is the judge's matter: ``canscope.judge.standing``.
"""
