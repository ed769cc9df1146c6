"""Names that the invented company gives its sites, clients, rooms and kinds of plants.

Every name is put together from words of our own, without chance, so that names change nothing else of a company.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

WORDS = (
    *("Amber", "Anvil", "Beacon", "Bellows", "Bramble", "Cobble", "Copper", "Ferry", "Foundry", "Garnet", "Granary"),
    *("Harrow", "Juniper", "Kestrel", "Ladder", "Lantern", "Larch", "Loom", "Millstone", "Otter", "Pebble", "Quarry"),
    *("Reed", "Saddle", "Signal", "Sorrel", "Spindle", "Tanner", "Thistle", "Weir", "Willow", "Windlass"),
)
# What a building is called, in the order of `layout.SETTINGS`: office, lobby, home.
BUILDINGS = (("House", "Court", "Works", "Mill"), ("Hall", "Arcade", "Gallery"), ("Cottage", "Lodge", "Villa"))
STEMS = ("Quill", "Tarn", "Osten", "Fenni", "Lark", "Bram", "Windle", "Cobbel", "Hazel", "Murren", "Sallow", "Thrap")
ENDINGS = ("mere", "wick", "by", "holt", "march", "stead", "combe")
FIRMS = ("Partners", "Group", "Office", "Studio", "Trust", "Bureau")
STREETS = ("Foundry Lane", "Weir Street", "Tallow Row", "Reed Quay", "Signal Road", "Orchard Hill", "Cinder Path")
ACCESS = ("front desk", "bell at the back door", "key with the porter", "from 8:00", "")
ROOMS = (
    ("reception", "open office", "meeting room", "corridor", "canteen"),
    ("entrance", "lifts", "waiting area", "stairs"),
    ("hall", "living room", "conservatory", "study"),
)
ROOM_HOLDS = 4  # places next to each other that share a room
COMMON = {
    "Ficus benjamina": "weeping fig",
    "Ficus elastica": "rubber plant",
    "Ficus lyrata": "fiddle-leaf fig",
    "Ficus cyathistipula": "African fig",
    "Dracaena fragrans": "corn plant",
    "Dracaena marginata": "dragon tree",
    "Dracaena trifasciata": "snake plant",
    "Aglaonema commutatum": "Chinese evergreen",
    "Spathiphyllum wallisii": "peace lily",
    "Epipremnum aureum": "golden pothos",
    "Zamioculcas zamiifolia": "ZZ plant",
    "Philodendron hederaceum": "heartleaf",
    "Monstera deliciosa": "Swiss cheese plant",
    "Chamaedorea elegans": "parlour palm",
    "Howea forsteriana": "kentia palm",
    "Rhapis excelsa": "lady palm",
}


def site_names(settings: Sequence[int]) -> list[str]:
    """Names of sites, each once, from their settings (0 office, 1 lobby, 2 home).

    Parameters
    ----------
    settings : sequence of int
        One per site.

    Returns
    -------
    list of str
    """
    return _each_once(
        f"{WORDS[7 * i % len(WORDS)]} {BUILDINGS[setting][i // len(WORDS) % len(BUILDINGS[setting])]}"
        for i, setting in enumerate(settings)
    )


def client_names(count: int) -> list[str]:
    """Names of clients, each once.

    Parameters
    ----------
    count : int
        How many.

    Returns
    -------
    list of str
    """
    stems, endings = len(STEMS), len(ENDINGS)
    return _each_once(
        f"{STEMS[5 * i % stems]}{ENDINGS[(i + i // stems) % endings]} {FIRMS[i % len(FIRMS)]}" for i in range(count)
    )


def addresses(count: int) -> list[str]:
    """Number and street of each site.

    Parameters
    ----------
    count : int
        How many.

    Returns
    -------
    list of str
    """
    return [f"{3 + 5 * i % 83} {STREETS[3 * i % len(STREETS)]}" for i in range(count)]


def access_notes(count: int) -> list[str]:
    """Ways to get in; none at some sites.

    Parameters
    ----------
    count : int
        How many.

    Returns
    -------
    list of str
    """
    return [ACCESS[2 * i % len(ACCESS)] for i in range(count)]


def room(position: str, setting: int) -> str:
    """Room of a place such as "1-09".

    Parameters
    ----------
    position : str
        Floor and number.
    setting : int
        0 office, 1 lobby, 2 home.

    Returns
    -------
    str

    Examples
    --------
    >>> room("1-09", 0), room("2-01", 0)
    ('meeting room', 'reception')
    """
    rooms = ROOMS[setting]
    number = int(position.rsplit("-", 1)[1]) - 1
    return rooms[number // ROOM_HOLDS % len(rooms)]


def _each_once(names: Iterable[str]) -> list[str]:
    """Names, a number after those that were given before."""
    counts: Counter[str] = Counter()
    numbered = []
    for name in names:
        counts[name] += 1
        numbered.append(name if counts[name] == 1 else f"{name} {counts[name]}")
    return numbered
