"""Packs as people write them. Designations of cells: SOURCES.md G3, from memory."""

from typing import Final

from tests.benchmarks.typed_judge.case import Typed

ALKALINE: Final = frozenset({"alkaline"})
CARBON: Final = frozenset({"zinc-carbon"})
NIMH: Final = frozenset({"nimh"})
LI_ION: Final = frozenset({"li-ion"})
PHOSPHATE: Final = frozenset({"lifepo4"})
COIN: Final = frozenset({"lithium-coin"})
LITHIUM_AA: Final = frozenset({"lithium-aa"})
BANK: Final = frozenset({"usb-bank"})
OTHER: Final = frozenset({"other"})

Meant = tuple[int, frozenset[str], float | None]


def pack(cells: int, chemistry: frozenset[str], mah: float | None = None) -> Meant:
    return (cells, chemistry, mah)


# Text, language, what is meant, and whether refusing it is no loss.
PLAIN: Final[tuple[tuple[str, str, Meant], ...]] = (
    ("3 AA", "", pack(3, ALKALINE)), ("3AA", "", pack(3, ALKALINE)), ("3xAA", "", pack(3, ALKALINE)),
    ("3x AA", "", pack(3, ALKALINE)), ("3 x AA", "", pack(3, ALKALINE)), ("3×AA", "", pack(3, ALKALINE)),
    ("3 × AA", "", pack(3, ALKALINE)), ("3*AA", "", pack(3, ALKALINE)), ("3 aa", "", pack(3, ALKALINE)),
    ("3X AA", "", pack(3, ALKALINE)), ("AA x3", "en", pack(3, ALKALINE)), ("AA x 3", "en", pack(3, ALKALINE)),
    ("4 AAA", "", pack(4, ALKALINE)), ("2 AAA alkaline", "en", pack(2, ALKALINE)), ("3 x AA alkaline", "en", pack(3, ALKALINE)),
    ("3x AA alkaline", "en", pack(3, ALKALINE)), ("alkaline 3x AA", "en", pack(3, ALKALINE)),
    ("2x AA lithium", "en", pack(2, LITHIUM_AA)), ("2 lithium AA", "en", pack(2, LITHIUM_AA)),
    ("3 AA NiMH", "", pack(3, NIMH)), ("3xAA Ni-MH", "", pack(3, NIMH)), ("3 NiMH AA", "", pack(3, NIMH)),
    ("4x AAA nimh 800 mAh", "", pack(4, NIMH, 800.0)), ("4x AAA NiMH 800mAh", "", pack(4, NIMH, 800.0)),
    ("3x AA NiMH 2,1 Ah", "de", pack(3, NIMH, 2100.0)), ("3x AA NiMH 2.1Ah", "en", pack(3, NIMH, 2100.0)),
    ("3 AA 2500 mAh NiMH", "en", pack(3, NIMH, 2500.0)), ("3x AA alkaline, 2200 mAh", "en", pack(3, ALKALINE, 2200.0)),
    ("li-ion", "en", pack(1, LI_ION)), ("Li-Ion", "de", pack(1, LI_ION)), ("LiPo", "en", pack(1, LI_ION)),
    ("lipo 500 mAh", "en", pack(1, LI_ION, 500.0)), ("LiPo 500mAh", "en", pack(1, LI_ION, 500.0)),
    ("500 mAh LiPo", "en", pack(1, LI_ION, 500.0)), ("1S LiPo", "en", pack(1, LI_ION)), ("2S LiPo", "en", pack(2, LI_ION)),
    ("CR2032", "", pack(1, COIN)), ("cr2032", "", pack(1, COIN)), ("2x CR2032", "", pack(2, COIN)), ("2 CR2032", "", pack(2, COIN)),
    ("usb-bank", "en", pack(0, BANK)), ("power bank", "en", pack(0, BANK)), ("Powerbank 10000 mAh", "de", pack(0, BANK, 10000.0)),
    ("3 piles AA", "fr", pack(3, ALKALINE)), ("3 pilas AA", "es", pack(3, ALKALINE)), ("3 pile AA", "it", pack(3, ALKALINE)),
    ("3 AA-Batterien", "de", pack(3, ALKALINE)), ("3 AA batterijen", "nl", pack(3, ALKALINE)), ("3 AA-batterier", "sv", pack(3, ALKALINE)),
    ("3 AA batteries", "en", pack(3, ALKALINE)), ("3 AA cells", "en", pack(3, ALKALINE)),
    ("3x AA alcaline", "fr", pack(3, ALKALINE)), ("3 AA alcalinas", "es", pack(3, ALKALINE)), ("3 AA Alkali", "de", pack(3, ALKALINE)),
    ("3 AA alcaline", "it", pack(3, ALKALINE)), ("3 AA alkaliska", "sv", pack(3, ALKALINE)), ("3 piles alcalines AA", "fr", pack(3, ALKALINE)),
    ("LiFePO4", "", pack(1, PHOSPHATE)), ("1x LiFePO4", "", pack(1, PHOSPHATE)),
    ("3 AA zinc-carbon", "en", pack(3, CARBON)), ("3 AA Zink-Kohle", "de", pack(3, CARBON)),
)  # fmt: skip
# Rare, or for those who know the designations: refused is no loss, understood as anything else is.
RARE: Final[tuple[tuple[str, str, Meant], ...]] = (
    ("3 LR6", "IEC", pack(3, ALKALINE)), ("3xLR6", "IEC", pack(3, ALKALINE)), ("3 LR03", "IEC", pack(3, ALKALINE)),
    ("2 FR6", "IEC", pack(2, LITHIUM_AA)), ("2 FR03", "IEC", pack(2, LITHIUM_AA)), ("3 HR6", "IEC", pack(3, NIMH)),
    ("3 HR03", "IEC", pack(3, NIMH)), ("3 R6", "IEC", pack(3, CARBON)), ("3LR12", "IEC", pack(3, ALKALINE)),
    ("6LR61", "IEC", pack(6, ALKALINE)), ("6F22", "IEC", pack(6, CARBON)), ("4LR44", "IEC", pack(4, ALKALINE)),
    ("2CR5", "IEC", pack(2, COIN | OTHER)), ("LR44", "IEC", pack(1, ALKALINE)), ("3 LR44", "IEC", pack(3, ALKALINE)),
    ("3 SR44", "IEC", pack(3, OTHER)), ("3 KR6", "IEC", pack(3, OTHER)), ("3 ZR6", "IEC", pack(3, OTHER)),
    ("ER14505", "IEC", pack(1, OTHER)), ("BR2032", "IEC", pack(1, OTHER | COIN)), ("9V", "", pack(6, ALKALINE)),
    ("9 V block", "en", pack(6, ALKALINE)), ("9V-Block", "de", pack(6, ALKALINE)), ("18650", "", pack(1, LI_ION)),
    ("1x 18650", "", pack(1, LI_ION)), ("18650 2600 mAh", "", pack(1, LI_ION, 2600.0)), ("ICR18650", "IEC", pack(1, LI_ION)),
    ("IFR18650", "IEC", pack(1, PHOSPHATE)), ("2x 18650", "", pack(2, LI_ION)), ("2P LiPo", "en", pack(1, LI_ION)),
    ("2S2P LiPo", "en", pack(2, LI_ION)), ("1S2P LiPo", "en", pack(1, LI_ION)), ("3 Mignon", "de", pack(3, ALKALINE)),
    ("3 Micro", "de", pack(3, ALKALINE)), ("3 AA Akku", "de", pack(3, NIMH)), ("3 rechargeable AA", "en", pack(3, NIMH)),
    ("3 AA rechargeables", "fr", pack(3, NIMH)), ("3 AA aufladbar", "de", pack(3, NIMH)), ("3 AA recargables", "es", pack(3, NIMH)),
    ("three AA", "en", pack(3, ALKALINE)), ("drei AA", "de", pack(3, ALKALINE)), ("trois piles AA", "fr", pack(3, ALKALINE)),
    ("3 AA 2500", "", pack(3, ALKALINE, 2500.0)), ("3 AA 1.5V", "en", pack(3, ALKALINE)), ("3 AA, 1,5 V", "de", pack(3, ALKALINE)),
    ("3x1.5V AA", "en", pack(3, ALKALINE)), ("3x AA NiMH 1,2 V 2000 mAh", "de", pack(3, NIMH, 2000.0)),
    ("3 AA NiMH 2.000 mAh", "de", pack(3, NIMH, 2000.0)), ("3 AA NiMH 2'000 mAh", "de_CH", pack(3, NIMH, 2000.0)),
    ("3 AA NiMH 2 000 mAh", "fr", pack(3, NIMH, 2000.0)), ("3 AA NiMH 2,000 mAh", "en", pack(3, NIMH, 2000.0)),
    ("3 C", "en", pack(3, ALKALINE)), ("2 D", "en", pack(2, ALKALINE)), ("3 AAAA", "", pack(3, ALKALINE)),
    ("３ ＡＡ", "", pack(3, ALKALINE)), ("3 АА", "Cyrillic", pack(3, ALKALINE)), ("10 AA", "", pack(10, ALKALINE)),
    ("lithium coin", "en", pack(1, COIN)), ("Knopfzelle CR2032", "de", pack(1, COIN)), ("pile bouton CR2032", "fr", pack(1, COIN)),
    ("CR 2032", "", pack(1, COIN)), ("CR-2032", "", pack(1, COIN)), ("CR2", "", pack(1, COIN | OTHER)), ("CR123A", "", pack(1, COIN | OTHER)),
    ("3 AA (alkaline)", "en", pack(3, ALKALINE)), ("3 AAs", "en", pack(3, ALKALINE)), ("3 x AA, alkaline", "en", pack(3, ALKALINE)),
    ("3 AA alkaline 2.2 Ah", "en", pack(3, ALKALINE, 2200.0)), ("1 li-ion cell", "en", pack(1, LI_ION)), ("Li-Po 1200 mAh 3,7 V", "de", pack(1, LI_ION, 1200.0)),
    ("LiPo 1,2 Ah", "de", pack(1, LI_ION, 1200.0)), ("2x other 180 mAh", "en", pack(2, OTHER, 180.0)), ("AA", "", pack(1, ALKALINE)),
)  # fmt: skip
# Nothing that can be taken: no such pack, or as many readings as readers. Each with why.
NOTHING: Final[tuple[tuple[str, str], ...]] = (
    ("3 bananas", "no cell"), ("0 AA", "no cells"), ("-3 AA", "no such number"), ("3.5 AA", "half a cell"), ("3,5 AA", "half a cell"),
    ("300 AA", "no wearable"), ("1/2 AA", "a size of its own (14250), lithium thionyl chloride"), ("½ AA", "as 1/2 AA"),
    ("2/3 AA", "a size of its own"), ("3-4 AA", "which?"), ("3 or 4 AA", "which?"), ("3+3 AA", "in series or beside each other?"),
    ("2x3 AA", "in series or beside each other?"), ("3 AA 2x", "in series or beside each other?"), ("3 A", "amperes, or a size that is gone"),
    ("3", "of what?"), ("", "nothing"), ("AA AAA", "which?"), ("3 AA and 1 CR2032", "two packs"), ("3.000 AA", "three or three thousand"),
    ("3,000 AA", "three or three thousand"), ("LiPo 1.2 V", "no such voltage for it"), ("3 AA nimh alkaline", "which?"),
    ("2S3S LiPo", "which?"), ("3x AA lead", "no such cell"), ("3 AA -500 mAh", "no such capacity"), ("3 AA nan mAh", "no number"),
    ("3 AA 0 mAh", "no such capacity"), ("3e0 AA", "nobody types it"),
)  # fmt: skip


def typed() -> list[Typed]:
    return [
        *(Typed(text, "pack", (meant,), language) for text, language, meant in PLAIN),
        *(Typed(text, "pack", (meant,), language, free=True) for text, language, meant in RARE),
        *(Typed(text, "pack", (), why=why) for text, why in NOTHING),
    ]
