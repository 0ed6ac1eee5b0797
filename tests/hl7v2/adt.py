"""ADT messages for tests."""

SYSTEMS = {"HOSP": "https://clinic.example.org/patients", "OTHER": "https://other.example.org/patients"}


def adt(event, *segments, control_id="1", processing="P", version="2.5.1", **fields):
    """A message of segments without their ends; ``fields`` are further MSH fields by number."""
    head = ["MSH", "^~\\&", "ADT", "HOSP", "SWALLOW", "CLINIC", "20261201090000+0000", "", f"ADT^{event}"]
    head += [control_id, processing, version, *[""] * 6]
    for number, value in fields.items():
        head[int(number.removeprefix("msh")) - 1] = value
    rows = ["|".join(head).rstrip("|"), f"EVN|{event}|20261201090000+0000", *segments]
    return ("\r".join(rows) + "\r").encode()


def pid(*identifiers, name="Testsson^Tilda", rest="|19600203|F"):
    """PID of a person with these identifiers of the hospital."""
    listed = "~".join(one if "^" in one else f"{one}^^^HOSP^MR" for one in identifiers)
    return f"PID|1||{listed}||{name}|{rest}"


def mrg(identifier):
    """MRG of the person that is merged away."""
    return f"MRG|{identifier}^^^HOSP^MR"
