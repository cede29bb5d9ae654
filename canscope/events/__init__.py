"""Events and windows: found once, in one place, and used by every rule."""
