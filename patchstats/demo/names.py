"""Names of the invented club, its place, its members and sites. None is a person or a place that we know of."""

from __future__ import annotations

from patchstats.remarks import PatchstatsError

CLUB = "Umberlow Vale Patch Club"
PLACE = "Umberlow Vale"
SITES = ("Umberlow Vale Weigh-off", "Brackmere Harvest Fair")

_GIVEN = ("Marta", "Odo", "Tilda", "Ferris", "Ansel", "Brida", "Corwin", "Delphy", "Emmet", "Fenna", "Garrick",
          "Hesper",
          "Isolde", "Jarvis", "Kester", "Lunet", "Merrit", "Nessa", "Orrin", "Petra", "Quill", "Roswen", "Sorrel",
          "Tamsin", "Ulric", "Verity", "Wystan", "Xanthe", "Yorick", "Zelda", "Alaric", "Bettony", "Caspar", "Dorrit",
          "Edda", "Falk", "Gerda", "Hollis", "Imre", "Jorun")
_SURNAMES = ("Quellhurst", "Brambeck", "Tarnhow", "Ashgillby", "Mossendew", "Oxthorn", "Pellowick", "Duskery",
             "Vinterby",
             "Larkmire", "Hobbledon", "Cressmoor", "Fennering", "Gorsewyn", "Muddlecote", "Rushgarth", "Stumpwell",
             "Thimblow", "Umberley", "Wexcombe", "Yarrowick", "Zennorby", "Applegarth-Low", "Bracknook", "Copsewith",
             "Dewlapper", "Elderholt", "Furzewick", "Gallowby", "Hazelrake", "Inkerby", "Jasperholt", "Kettlemoor",
             "Lopdale", "Marrowby", "Nettlefoss", "Osierby", "Puddlewick", "Quernstone", "Rindle")

# Growers of the seeds that the club began with.
ELDERS = ("Oldacre-Finch", "Tumbleby", "Sedgewhistle", "Barrowmire", "Clodhill", "Withersedge")


def members(count: int) -> list[str]:
    """The first ``count`` invented members; each surname once among the first forty.

    >>> members(2)
    ['Marta Quellhurst', 'Odo Brambeck']
    """
    most = len(_GIVEN) * len(_SURNAMES)
    if not 1 <= count <= most:
        raise PatchstatsError(f"The invented club can have 1 to {most} members, not {count}.")
    names = []
    for turn in range(count // len(_SURNAMES) + 1):
        names += [f"{_GIVEN[(i + turn) % len(_GIVEN)]} {surname}" for i, surname in enumerate(_SURNAMES)]
    return names[:count]


def surname(member: str) -> str:
    """The surname, as it stands in the name of a seed."""
    return member.split(" ", 1)[1]
