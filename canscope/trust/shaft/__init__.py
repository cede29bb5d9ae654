"""Do pedal, torque and speed explain each other?"""
