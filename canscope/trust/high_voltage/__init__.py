"""Do pack, links and contactors explain each other?"""
