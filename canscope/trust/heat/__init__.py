"""Does a temperature answer to what heats it?"""
