"""Can this reading be believed? Decided here and nowhere else; rules, judge and live ask.

=================== ================================================================
chapter, module     what is decided
=================== ================================================================
samples
  no_value_codes    a raw code means "no value"
  missing_value     why a role has no value at an instant
  staleness         a value is too old, or values stopped (three cycles: ``model.cycle``)
  silence           nothing at all was heard, on any bus
  even_stamps       when frames with late stamps were sent
  sent_order        in which order the frames of a counter were sent
  range_ends        a value may lie beyond what can be shown
  restart           a node restarted, or does not count yet
  tenths            readings in tenths of a second, for those that compare over seconds
  clock_alignment   a whole bus is heard late
movement
  standing_still    a sensor is stuck
  stopped           a reading stopped, or is renewed seldom
  held, repeated    it was held in the midst of a move; a whole message was repeated
  dead_bit          one bit of a number never changes
  to_and_fro        it jumps to and fro
  scatter           it scatters in a burst as nothing does that it measures
  impossible_fall   it fell as nothing real can
  sighted           a person saw the axle turn, and it showed no motion
  zero_point        it is not zero where it has to be
  trailing          pack current or pack voltage come late
sources
  identity          frames of several nodes are taken for one
  same_frames       two buses carry the same frames
  same_sensor       two roles show what one sensor measures, with ``same_noise``
  echo              a contactor's state is its command again
  feet              the brake is made from the pedal
high_voltage
  charge, discharge links and pack current do not make one pre-charge, or one discharge
  twelve_volts      neither coils nor the converter move the 12 V
  pack_answers      pack and links do not give way together, or the pack moves by itself
  monitor           the insulation monitor does not see the contactors
  obeys             a contactor's state does not follow its command
  leaps_alone       one leaps and comes back while the others stay
  stood_alone       one stands to the bit while another moves
  closes_asleep     it reads closed again after key-off
  pole_word         it does not say what the contact did, as ``link_witness`` shows
  still_fed         contactors read open, and the link still hangs on the pack
  losses            the pack gives what the shafts take
  like_before       in two bursts alike it gives the same
  unloaded          pack and links give way only under load
  flows             what flows is taken, or given, by something
  switching_load    a load goes on and off by itself
shaft
  unit_answers      pedal, brake, torque and speed agree
  shaft_balance     a shaft moves by its torque
  torque_zero       what a torque reads where there is none
  late_answer       a unit answers to its pedal at once
  brake_slows       a rolling vehicle stops under its brake
  pushed            what is pushed turns
  driven_on         nothing drives against a driver's input
heat
  proof_of_life     a temperature sensor is alive, by all that are ``watched`` and ``shown``
feedback            what those that look at one attempt, burst or opening say together
role_health         how all this lowers a pass that rests on a role
remark              what a witness says of one role
evidence            for every role: what cross-checks it, and what nobody can see
=================== ================================================================

When a node is awake and must speak at all is an event of the run: ``canscope.events.sleep``. What a
doubt does to a verdict is the judge's matter: ``canscope.judge.standing``.
"""
