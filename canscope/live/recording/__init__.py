"""The recorder: reads every bus and writes everything down. It imports nothing that judges.

======================  ================================================================
``recorder_config.py``  what a recorder is told before it starts
``status.py``           how it is doing, as it reports every 50 ms
``protocol.py``         configuration and status as JSON lines between the two processes
``process.py``          the recorder as a process of its own
``recorder.py``         the recorder itself: a thread a bus reads, one thread writes
``health.py``           once a second: pace of the buses, disk, wall clock, readers
``pauses.py``           stretches in which nobody read, and what was lost in them
``clock.py``            the clock that stamps frames and never steps
``write_queue.py``      frames are stamped and wait for the disk
``writer.py``           the captures on the disk
``run_file_writer.py``  run.toml while the run goes on, and the events it lists
======================  ================================================================
"""
