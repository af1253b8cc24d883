"""The clients of the invented firm. Nobody here exists; telephone numbers are of the range 555-0100
to 555-0199, which is kept for fiction, and e-mail addresses end in .example (RFC 2606)."""

# number: name, born, street, unit, town, state, ZIP, telephone area, enrolment, and what differs
# from a client alone on the plan "steady" who enrolled online.
ROWS = [
    (1, "Odessa Marlowe", "1984-03-11", "12 Alder Street", "", "Fernbrook", "ND", "58101", 701, "2025-09-02", {}),
    (2, "Bram Tolliver", "1990-07-25", "480 Quarry Road", "", "Fernbrook", "ND", "58101", 701, "2025-09-10", {}),
    (3, "Junia Pell", "1978-01-30", "9 Larkspur Lane", "Apt 4", "Maple Ferry", "ND", "58301", 701, "2025-09-16", {}),
    (4, "Cosmo Vandry", "1995-11-02", "77 Mill Court", "", "Maple Ferry", "ND", "58301", 701, "2026-10-06", {}),
    (5, "Thea Winslade", "1988-05-19", "301 Orchard Avenue", "", "Alder Falls", "WY", "82601", 307, "2025-10-06", {}),
    (6, "Ruben Castell", "1982-09-08", "15 Beacon Hill Road", "", "Alder Falls", "WY", "82601", 307, "2025-10-08", {}),
    (7, "Mabel Orrin", "1973-12-14", "640 Heron Drive", "", "Stonewick", "WY", "82801", 307, "2025-10-14", {}),
    (8, "Dashiell Fenn", "1991-02-27", "22 Copper Street", "Unit 3", "Stonewick", "WY", "82801", 307, "2025-10-21", {}),
    (9, "Ilse Grantham", "1986-06-06", "118 Prairie Way", "", "Fernbrook", "ND", "58101", 701, "2026-05-18", {}),
    (10, "Hollis Byrd", "1979-08-17", "5 Tannery Row", "", "Cedar Notch", "ND", "58701", 701, "2025-11-03", {}),
    (11, "Petra Nightingale", "1993-04-04", "903 Willow Terrace", "", "Cedar Notch", "ND", "58701", 701, "2026-02-03", {}),
    (12, "Amos Quill", "1980-10-22", "44 Harvest Road", "", "Plainview Bend", "WY", "82001", 307, "2025-11-05", {}),
    (13, "Lottie Sandoe", "1987-03-03", "216 Juniper Court", "", "Plainview Bend", "WY", "82001", 307, "2025-11-12", {}),
    (14, "Gideon Marsh", "1975-05-29", "71 Ferry Street", "", "Maple Ferry", "ND", "58301", 701, "2025-11-18", {}),
    (15, "Wilhelmina Drake", "1992-09-13", "8 Observatory Place", "", "Alder Falls", "WY", "82601", 307, "2025-12-02", {}),
    (16, "Ansel Thorne", "1983-07-07", "550 Canal Street", "Apt 12", "Fernbrook", "ND", "58101", 701, "2025-12-04", {}),
    (17, "Coralie Finch", "1989-01-16", "31 Meadow Lane", "", "Stonewick", "WY", "82801", 307, "2025-12-09", {}),
    (18, "Magnus Ellery", "1977-11-11", "19 Slate Road", "", "Maple Ferry", "ND", "58301", 701, "2026-01-06", {}),
    (19, "Verity Calloway", "1994-06-21", "402 Pond View", "", "Cedar Notch", "ND", "58701", 701, "2025-12-15",
     {"channel": "TELEPHONE"}),
    (20, "Oswin Hartley", "1971-02-09", "66 Lantern Road", "", "Fernbrook", "ND", "58101", 701, "2025-09-08",
     {"channel": "TELEPHONE", "promised_days": 120, "items": 4, "promised": "quarry-street"}),
    (21, "Elspeth Crane", "1985-12-30", "14 Saddle Ridge", "", "Plainview Bend", "WY", "82001", 307, "2026-01-12",
     {"no_evidence": True}),
    (22, "Ruth Abernethy", "1986-08-08", "123 North Cooper Street", "Apartment 2", "Fernbrook", "ND", "58101", 701,
     "2025-10-01", {"seat": "COUPLE"}),
    (23, "Silas Abernethy", "1984-02-20", "123 N. Cooper St", "Apt 2", "Fernbrook", "ND", "58101-0123", 701,
     "2025-10-10", {"seat": "COUPLE", "as": 22}),
    (24, "Nadia Brockhurst", "1990-05-05", "88 Weaver Avenue", "", "Alder Falls", "WY", "82601", 307,
     "2026-01-20", {"seat": "COUPLE", "as": 25}),
    (25, "Felix Brockhurst", "1988-10-01", "88 WEAVER AVE.", "", "Alder Falls", "WY", "82601", 307,
     "2026-01-08", {"seat": "COUPLE"}),
    (26, "Greta Lindqvist-Moor", "1981-04-18", "7 Harbor Court", "", "Stonewick", "WY", "82801", 307,
     "2025-11-24", {"seat": "COUPLE"}),
    (27, "Tobias Moor", "1979-03-27", "7 Harbor Ct", "", "Stonewick", "WY", "82801", 307,
     "2025-12-01", {"seat": "COUPLE", "as": 26, "own_card": True}),
    (28, "Prudence Ashby", "1996-01-08", "260 College Road", "Unit B", "Cedar Notch", "ND", "58701", 701,
     "2026-02-10", {"seat": "COUPLE"}),
    (29, "Clement Ashby", "1998-09-19", "260 College Rd", "# B", "Cedar Notch", "ND", "58701", 701,
     "2026-02-12", {"seat": "COUPLE", "as": 28, "own_card": True}),
    (30, "Marisol Teague", "1987-07-14", "19 Sandpiper Way", "", "Playa Serena", "CA", "93101", 415, "2025-12-01",
     {"zone": "America/Los_Angeles", "plan": "steady-six", "total": 220_000}),
    (31, "Dorian Kestrel", "1974-10-10", "805 Vista Road", "", "Playa Serena", "CA", "93101", 415, "2026-03-02",
     {"zone": "America/Los_Angeles", "plan": "steady-six"}),
    (32, "Lavinia Stroud", "1982-12-05", "410 Mesquite Trail", "", "Bluebonnet Wells", "TX", "78601", 512,
     "2025-11-10", {"plan": "steady-six"}),
    (33, "Everett Pike", "1991-08-28", "37 Live Oak Drive", "", "Bluebonnet Wells", "TX", "78601", 512,
     "2026-06-02", {"plan": "steady-six"}),
    (34, "Honor Whitlock", "1980-06-15", "52 Peachtree Hollow Road", "", "Cotton Ford", "GA", "30101", 404,
     "2026-04-07", {"channel": "ONLINE"}),
    (35, "Barnaby Sleet", "1969-03-23", "11 Turnpike Road", "", "Maple Ferry", "ND", "58301", 701, "2026-02-17", {}),
    (36, "Imogen Vale", "1993-11-17", "94 Chapel Street", "", "Fernbrook", "ND", "58101", 701, "2025-12-10",
     {"items": 4}),
    (37, "Leopold Ames", "1976-04-09", "17 River Road", "", "Alder Falls", "WY", "82601", 307, "2026-03-10", {}),
    (38, "Winifred Cole", "1984-01-26", "63 Depot Street", "", "Stonewick", "WY", "82801", 307, "2026-03-17", {}),
    (39, "Jasper Holloway", "1990-02-02", "28 Granary Lane", "", "Plainview Bend", "WY", "82001", 307,
     "2026-04-01", {}),
    (40, "Saskia Thornbury", "1995-05-31", "349 Elm Court", "", "Fernbrook", "ND", "58101", 701, "2026-04-14", {}),
    (41, "Ambrose Tull", "1968-07-20", "4 Station Road", "", "Cedar Notch", "ND", "58701", 701, "2026-03-24",
     {"plan": "watch", "items": 2}),
    (42, "Rosalind Peake", "1982-03-15", "150 Garden Terrace", "", "Maple Ferry", "ND", "58301", 701, "2026-05-05",
     {"total": 11_900 + 2 * 9_500}),
    (43, "Cedric Munro", "1989-09-09", "733 Sycamore Boulevard", "", "Stonewick", "WY", "82801", 307, "2026-06-09",
     {"seat": "COUPLE"}),
    (44, "Beatrix Lowell", "1977-12-24", "26 Windmill Road", "", "Alder Falls", "WY", "82601", 307, "2026-06-16", {}),
    (45, "Agatha Rowe", "1992-10-12", "81 Fountain Square", "Apt 7", "Fernbrook", "ND", "58101", 701, "2026-10-07",
     {"seat": "COUPLE"}),
    (46, "Lionel Rowe", "1991-06-03", "81 Fountain Sq", "#7", "Fernbrook", "ND", "58101", 701, "2026-10-14",
     {"seat": "COUPLE", "as": 45, "own_card": True}),
    (47, "Eudora Finley", "1987-08-01", "9 Hazel Street", "", "Cedar Notch", "ND", "58701", 701, "2026-10-28", {}),
    (48, "Percival Dunn", "1981-05-11", "502 Lake Road", "", "Maple Ferry", "ND", "58301", 701, "2026-10-20", {}),
    (49, "Tamsin Wexford", "1983-02-14", "20 Cottonwood Lane", "", "Plainview Bend", "WY", "82001", 307,
     "2026-06-08", {}),
]


def person(row):
    number, name, born, line1, line2, city, state, zip_code, area, enrolled, more = row
    shared = more.get("as", number)
    card = number if more.get("own_card") else shared
    first, *_, last = name.lower().split()
    return number, {
        "name": name, "born": born, "line1": line1, "line2": line2, "city": city, "state": state,
        "zip": zip_code, "enrolled": enrolled,
        "email": f"{first}.{last}@mail.example",
        "phone": f"({area}) 555-{100 + shared:04d}",
        **({"zone": "America/Denver"} if state == "WY" else {}),
        "card": f"card-token-{card:02d}", "last4": f"{4000 + card * 37}",
        **more,
    }


PEOPLE = dict(person(row) for row in ROWS)
