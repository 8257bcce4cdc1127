"""Parts of the screens: which the tour goes to, and which test taps its way to the others."""

TOURED = {
    ("set-up", "typing"), ("set-up", "keys"), ("set-up", "tablet"), ("set-up", "list"), ("set-up", "form"),
    ("pairing", "list"), ("bring in", "files"), ("more", "keys"), ("more", "fuel"), ("more", "fields"), ("more", "marks"), ("more", "tablet"),
    ("the day", "lines"), ("the day", "rain"), ("the day", "figures"), ("the day", "seeder"), ("the day", "ground"),
    ("the day", "map"), ("receiver", "state"), ("hand over", "sheet"), ("hand over", "more"), ("hand over", "map"),
}  # fmt: skip
"""Screen and part; the tour fails where it goes to others than these."""

ELSEWHERE = {
    ("first", "typing"): ("test_screen_tour.py", "Set-up"), ("first", "pick"): ("test_first_day.py", "America/Toronto"),
    ("set-up", "pick"): ("test_first_day.py", "Once only here"), ("set-up", "round"): ("test_first_day.py", "Drive round it now"),
    ("receiver", "list"): ("test_receiver_screen.py", "Choose receiver"), ("receiver", "typing"): ("test_receiver_screen.py", "Network port of this tablet"),
    ("receiver", "both ways"): ("test_receiver_screen.py", "Check both ways"), ("receiver", "found"): ("test_receiver_screen.py", "Done"),
    ("pairing", "compare"): ("test_pairing.py", "The same: it is our office"),
    ("pairing", "change"): ("test_pairing.py", "It is our office from now on"),
    ("receiver", "antenna"): ("test_receiver_screen.py", "Antennas"), ("bring in", "reading"): ("test_receiver_screen.py", "tuesday.csv"),
    ("bring in", "day"): ("test_receiver_screen.py", "tuesday.csv"), ("bring in", "change"): ("test_receiver_screen.py", "Change"),
}  # fmt: skip
"""Screen and part -> the test that opens it, and what it taps for that."""
