"""The cautions in plain words; a command or page that leads to a step names the numbers that fit it."""

CAUTIONS: dict[int, str] = {
    1: "Firm, clean, level ground; chock the wheels; the parking brake is never the only restraint.",
    2: "Never go under a car that stands on pads, ramps or a jack.",
    3: "Respect each pad's rated capacity, braking and drive-over shock included; "
    "do not brake or steer on a pad.",
    4: "Raising an axle: rated jack at the maker's points, rated stands set before anyone comes near, "
    "suspension blocks out before driving.",
    5: "Seats, trim and wheels can hold airbags and belt tensioners: the maker's procedure and "
    "waiting time first.",
    6: "High-voltage cars: only qualified persons open or remove orange-cabled parts, isolated and "
    "proven dead.",
    7: "People aboard sit still, doors closed, motor off; nobody leans on the car or rolls it.",
    8: "Fuel: known level, no flame, watch for tipping and vents when an axle is raised.",
    9: "Weight taken out moves the balance of a lifted car.",
    10: "Structural and safety equipment is fitted and approved by those licensed to; "
    "the event's rules and its own scales decide.",
    11: "Not for trade, and no proof of a road-legal axle load.",
}

GENERAL = (1, 2, 3, 11)
"""Cautions that go with every weigh-in."""
