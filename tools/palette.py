"""Colours of all pictures. Okabe and Ito, "Color Universal Design" (2008): safe for colour-blind readers.

Line styles and marks double them, so that a picture reads in black and white too.
"""

SKY, BLUE, GREEN, VERMILION = "#56B4E9", "#0072B2", "#009E73", "#D55E00"
ORANGE, PURPLE = "#E69F00", "#CC79A7"
BLACK, GREY = "#000000", "#555555"
