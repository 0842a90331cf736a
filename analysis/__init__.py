"""The rooms that only compute: arrays and numbers in, values out.

Nothing here reads a clock, a device or a file, and nothing prints.

Conventions used throughout
---------------------------
Times are seconds since the first sample heard. Angles are crank degrees, positive before top
dead centre. Levels are decibels relative to full scale. Every quantity carries its unit in its
name (``time_s``, ``angle_deg``, ``margin_db``), and an uncertainty ``u_...`` is one standard
uncertainty in the sense of JCGM 100:2008 (the GUM), 2.3.1.
"""
