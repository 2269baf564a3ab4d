"""Words that the invented members write at the head of a column or of a fact, by language and turn of phrase."""

from __future__ import annotations

# What a fruit's block of facts says, in the order written.
FACTS = ("grower", "season", "patch", "plant", "fruit", "seed", "pollen", "set_date", "secondaries_at_set",
         "main_vine_cm", "distance_out_cm", "lobes", "lobe_evenness", "fruit_evenness", "end_date", "end_reason")

WORDS: dict[str, dict[str, str]] = {
    "en": {
        "grower": "Grower", "season": "Season", "patch": "Patch", "plant": "Plant", "fruit": "Fruit", "seed": "Seed",
        "pollen": "Pollen parent", "set_date": "Pollinated", "secondaries_at_set": "Secondaries at set",
        "main_vine_cm": "Main vine at set", "distance_out_cm": "Distance out", "lobes": "Stigma lobes",
        "lobe_evenness": "Lobe evenness", "fruit_evenness": "Fruit evenness", "end_date": "Ended",
        "end_reason": "Reason", "date": "Date", "day": "Day", "secondaries": "Secondaries", "vine": "Main vine",
        "covered_m2": "Ground covered", "cover": "Cover", "males": "Males", "covered_hours": "Hours covered",
        "set": "Set", "sown_date": "Sown", "planted_date": "Planted out", "soil": "Soil", "air_max_c": "High",
        "air_min_c": "Low", "rain_mm": "Rain", "note": "Notes", "yes": "yes", "no": "no", "depth": "Probe depth",
        "time": "Time"},
    "de": {
        "grower": "Züchter", "season": "Saison", "patch": "Beet", "plant": "Pflanze", "fruit": "Frucht",
        "seed": "Samen", "pollen": "Pollenelter", "set_date": "Bestäubt am", "secondaries_at_set": "Seitentriebe",
        "main_vine_cm": "Haupttrieb", "distance_out_cm": "Abstand vom Stock", "lobes": "Narbenlappen",
        "lobe_evenness": "Gleichmaß der Narbe", "fruit_evenness": "Gleichmaß der Frucht", "end_date": "Ende",
        "end_reason": "Grund", "date": "Datum", "day": "Tag", "secondaries": "Seitentriebe", "vine": "Haupttrieb",
        "covered_m2": "Fläche bedeckt", "cover": "Schutz", "males": "Männliche Blüten",
        "covered_hours": "Stunden bedeckt", "set": "Angesetzt", "sown_date": "Gesät", "planted_date": "Ausgepflanzt",
        "soil": "Bodentemperatur", "air_max_c": "Höchstwert", "air_min_c": "Tiefstwert", "rain_mm": "Regen",
        "note": "Bemerkung", "yes": "ja", "no": "nein", "depth": "Messtiefe", "time": "Uhrzeit"},
    "fr": {
        "grower": "Jardinier", "season": "Saison", "patch": "Parcelle", "plant": "Plant", "fruit": "Fruit",
        "seed": "Graine", "pollen": "Parent pollen", "set_date": "Pollinisé le",
        "secondaries_at_set": "Tiges secondaires", "main_vine_cm": "Tige principale",
        "distance_out_cm": "Distance du pied", "lobes": "Lobes du stigmate", "lobe_evenness": "Régularité des lobes",
        "fruit_evenness": "Régularité du fruit", "end_date": "Fin", "end_reason": "Raison", "date": "Date",
        "day": "Jour", "secondaries": "Tiges secondaires", "vine": "Tige principale", "covered_m2": "Surface couverte",
        "cover": "Protection", "males": "Fleurs mâles", "covered_hours": "Heures couvertes", "set": "Nouée",
        "sown_date": "Semé le", "planted_date": "Planté le", "soil": "Température du sol", "air_max_c": "Maximum",
        "air_min_c": "Minimum", "rain_mm": "Pluie", "note": "Remarques", "yes": "oui", "no": "non",
        "depth": "Profondeur de sonde", "time": "Heure"},
}

# The four measures, as each hand heads them: circumference, side to side, stem to blossom, total.
MEASURES: dict[str, tuple[str, str, str, str]] = {
    "block": ("Circ", "SS", "EE", "OTT"),
    "flat": ("Circumference (in)", "Side to side (in)", "Stem to blossom (in)", "Total (in)"),
    "german": ("Umfang (cm)", "Quer (cm)", "Längs (cm)", "Summe (cm)"),
    "fractions": ("Circ.", "Side-Side", "Stem-Blossom", "Total"),
    "feet": ("Around", "Across", "End to end", "Total"),
    "sideways": ("Circumference (in)", "Side to side (in)", "Stem to blossom (in)", "OTT (in)"),
    "total": ("", "", "", "OTT inches"),
    "spreadsheet": ("Circ", "Side to Side", "End to End", "OTT"),
    "columns": ("circ cm", "ss cm", "ee cm", ""),
    "shorthand": ("Tape (circ-SS-EE)", "", "", ""),
    "ditto": ("Circumference", "Side to side", "Stem to blossom", "Total inches"),
    "centimetres": ("Circumference", "Side to side", "End to end", "Over the top"),
    "margin": ("Circ. cm", "Side/side cm", "Stem/blossom cm", "OTT cm"),
    "french": ("Tour (cm)", "", "", ""),
    "scribe": ("Circ in", "SS in", "EE in", "Total in"),
}

COMMENTS = ("hot week, watered twice a day", "leaf trimmed off the shoulder", "moved the stem off the vine",
            "rain at last", "new shade cloth up", "looks dull today", "fed on Sunday", "hail missed us",
            "first cold night", "vines buried to the second node", "neighbour helped with the tape", "wind all day",
            "sand under it again", "ribs look deep on the sunny side")
TROUBLE = ("tape slipped, could be a bit off", "measured in a hurry before dark", "new tape measure")
AWAY = ("away", "-", "n/a", "rain", "")
