"""How a meter's files are read is kept, and fits the next file or says what is missing."""

from collections.abc import Callable
from pathlib import Path

import pytest

from logger.base.errors import BenchError
from logger.text.layout import LayoutWish
from logger.text.mapping import read_mapping, write_mapping
from logger.text.read import read_text
from logger.text.table import PlanWish
from tests.support.foreign_text import write

TEXT = "Datum;Uhrzeit;Spannung +;I\n" + "".join(
    f"03/04/2026;2{n // 20}:{n % 20:02d};4,5{n:02d};-1,{n:03d}\n" for n in range(40)
)
WISH = PlanWish(
    {"voltage": "Spannung +"},
    {"voltage": "V", "current": "mA"},
    date_order="dmy",
    current_sign="turned",
)


def test_the_next_file_is_read_as_the_first(tmp_path: Path) -> None:
    path = write(tmp_path, TEXT)
    first = read_text(path, LayoutWish(decimal=","), WISH)
    assert first.mapping is not None
    kept = tmp_path / "meter.toml"
    write_mapping(first.mapping, kept)
    again = read_text(path, LayoutWish(), PlanWish(), mapping=read_mapping(kept))
    assert again.samples.equals(first.samples)
    assert again.started_local == first.started_local
    assert again.samples["current_ma"].iloc[-1] == pytest.approx(1.039)
    said = kept.read_text(encoding="utf-8")
    assert 'columns = ["Datum", "Uhrzeit"]' in said
    assert 'date_order = "dmy"' in said
    assert 'sign = "turned"' in said
    # Columns in another order and one more are no obstacle: they go by name.
    moved = "I;Datum;Uhrzeit;T;Spannung +\n" + "".join(
        f"-1,{n:03d};03/04/2026;2{n // 20}:{n % 20:02d};21;4,5{n:02d}\n" for n in range(40)
    )
    other = read_text(write(tmp_path, moved), LayoutWish(), PlanWish(), mapping=read_mapping(kept))
    assert other.samples.equals(first.samples)


def test_what_the_user_says_goes_before_the_mapping(tmp_path: Path) -> None:
    path = write(tmp_path, "a,b\n" + "".join(f"{n},{4500 - n}\n" for n in range(20)))
    wish = PlanWish({"time": "1", "voltage": "2"}, {"time": "s", "voltage": "mV"})
    kept = tmp_path / "meter.toml"
    mapping = read_text(path, LayoutWish(), wish).mapping
    assert mapping is not None
    write_mapping(mapping, kept)
    said = PlanWish(units={"time": "min"})
    again = read_text(path, LayoutWish(), said, mapping=read_mapping(kept))
    assert again.samples["time_s"].iloc[1] == 60.0
    assert again.samples["pack_v"].iloc[0] == 4.5


def test_a_mapping_is_not_forced_on_a_file_that_it_does_not_fit(tmp_path: Path) -> None:
    mapping = read_text(write(tmp_path, TEXT), LayoutWish(decimal=","), WISH).mapping
    assert mapping is not None
    other = TEXT.replace("Spannung +", "U")
    with pytest.raises(BenchError, match=r"it has no column 'Spannung \+'"):
        read_text(write(tmp_path, other), LayoutWish(), PlanWish(), mapping=mapping)
    months = TEXT.replace("03/04/2026", "04/13/2026")
    with pytest.raises(BenchError, match="no date"):
        read_text(write(tmp_path, months), LayoutWish(), PlanWish(), mapping=mapping)
    points = TEXT.replace(",", ".")
    with pytest.raises(BenchError, match=r"point|cannot be read this way|mean"):
        read_text(write(tmp_path, points), LayoutWish(), PlanWish(), mapping=mapping)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\0\0",
        "[file",
        'format = "drawbench import mapping"\n',
        'format = "drawbench import mapping"\nversion = true\n',
        'format = "drawbench import mapping"\nversion = 2\n',
        'format = "drawbench import mapping"\nversion = 1\nfile = 3\n',
        'format = "drawbench import mapping"\nversion = 1\n[shoes]\n',
        'format = "drawbench import mapping"\nversion = 1\n[file]\nsize = 3\n',
        'format = "drawbench import mapping"\nversion = 1\n[file]\ncolumns = [1.5]\n',
        'format = "drawbench import mapping"\nversion = 1\n[time]\nhours = 13\n',
        'format = "drawbench import mapping"\nversion = 1\n[time]\nevery_s = -1\n',
        'format = "drawbench import mapping"\nversion = 1\n[voltage]\nscale = nan\n',
        'format = "drawbench import mapping"\nversion = 1\n[voltage]\nscale = true\n',
    ],
)
def test_what_is_no_mapping_is_refused(tmp_path: Path, text: str) -> None:
    path = write(tmp_path, text, "meter.toml")
    with pytest.raises(BenchError, match="no mapping"):
        read_mapping(path)


@pytest.mark.parametrize(
    "row",
    [lambda n: f'{n},"4,{900 - n}","80,25"', lambda n: f'{n},4.{900 - n},"1,0{10 + n}"'],
)
def test_quoted_numbers_with_the_delimiter_in_them(
    tmp_path: Path, row: Callable[[int], str]
) -> None:
    text = "t_s,U (V),I (mA)\n" + "".join(f"{row(n)}\n" for n in range(9))
    first = read_text(write(tmp_path, text), LayoutWish(), PlanWish())
    assert first.samples["pack_v"].iloc[0] == 4.9
    assert first.samples["current_ma"].iloc[0] in (80.25, 1010.0)
    assert first.mapping is not None
    write_mapping(first.mapping, tmp_path / "meter.toml")
    mapping = read_mapping(tmp_path / "meter.toml")
    again = read_text(tmp_path / "bench.txt", LayoutWish(), PlanWish(), mapping=mapping)
    assert again.samples.equals(first.samples)


def test_names_that_act_on_a_terminal_are_written_as_escapes(tmp_path: Path) -> None:
    name = 'U \u202e\u2066"\\ 🔋 é\x9b'
    text = f"t_s;{name};I\n" + "".join(f"{n};4,{900 - n};80\n" for n in range(9))
    wish = PlanWish({"voltage": "2"}, {"voltage": "V", "current": "mA"})
    first = read_text(write(tmp_path, text), LayoutWish(comment="\udc80"), wish)
    assert first.mapping is not None
    write_mapping(first.mapping, tmp_path / "meter.toml")
    said = (tmp_path / "meter.toml").read_text(encoding="utf-8")
    assert all(sign.isprintable() or sign == "\n" for sign in said)
    kept = read_mapping(tmp_path / "meter.toml")
    assert kept.tables["voltage"]["column"] == name
    again = read_text(tmp_path / "bench.txt", LayoutWish(), PlanWish(), mapping=kept)
    assert again.samples.equals(first.samples)


def test_a_mapping_is_not_written_through_a_link(tmp_path: Path) -> None:
    mapping = read_text(write(tmp_path, TEXT), LayoutWish(decimal=","), WISH).mapping
    assert mapping is not None
    (tmp_path / "victim").write_text("mine")
    (tmp_path / "meter.toml").symlink_to(tmp_path / "victim")
    with pytest.raises(BenchError, match=r"mapping .* cannot be"):
        write_mapping(mapping, tmp_path / "meter.toml")
    assert (tmp_path / "victim").read_text() == "mine"


def test_a_mapping_does_not_choose_between_two_clocks_that_nobody_chose_between(
    tmp_path: Path,
) -> None:
    def text(later_s: int) -> str:
        rows = (f"{n},4.{900 - n},{n + later_s},80\n" for n in range(40))
        return "Time V (s),Voltage (V),Time I (s),Current (mA)\n" + "".join(rows)

    kept = tmp_path / "meter.toml"
    agreed = read_text(write(tmp_path, text(0)), LayoutWish(), PlanWish()).mapping
    assert agreed is not None
    write_mapping(agreed, kept)
    path = write(tmp_path, text(5))
    with pytest.raises(BenchError, match="two columns of times"):
        read_text(path, LayoutWish(), PlanWish(), mapping=read_mapping(kept))
    chosen = read_text(path, LayoutWish(), PlanWish({"time": "1"}), mapping=agreed).mapping
    assert chosen is not None
    write_mapping(chosen, kept)
    again = read_text(path, LayoutWish(), PlanWish(), mapping=read_mapping(kept))
    assert len(again.samples) == 40


def sizes(current: str, volts: str = "4.5") -> str:
    return "Time (s),Voltage,Current\n" + "".join(
        f"{n},{volts}{n:02d},{current}\n" for n in range(40)
    )


def kept_sizes(tmp_path: Path, wish: PlanWish, text: str) -> Path:
    mapping = read_text(write(tmp_path, text), LayoutWish(), wish).mapping
    assert mapping is not None
    write_mapping(mapping, tmp_path / "meter.toml")
    return tmp_path / "meter.toml"


def test_another_size_under_an_unnamed_unit_is_refused(tmp_path: Path) -> None:
    milliamperes = PlanWish(units={"current": "mA"})
    kept = kept_sizes(tmp_path, milliamperes, sizes("150.0"))
    assert "usual_ma = 150.0" in kept.read_text()
    assert "usual_v = 4.52" in kept.read_text(), "its unit was guessed, not named"
    mapping = read_mapping(kept)

    def again(text: str, wish: PlanWish = PlanWish()) -> float:  # noqa: B008
        read = read_text(write(tmp_path, text), LayoutWish(), wish, mapping=mapping)
        return float(read.samples["current_ma"].iloc[0])

    with pytest.raises(BenchError, match="another size") as refused:
        again(sizes("0.150"))
    assert "now around 0.15 mA, then 150 mA" in str(refused.value)
    assert "--current-unit mA" in str(refused.value)
    with pytest.raises(BenchError, match="another size"):
        again(sizes("150.0", "45"))
    assert again(sizes("0.150"), PlanWish(units={"current": "A"})) == pytest.approx(150)
    assert again(sizes("0.150"), milliamperes) == pytest.approx(0.15)
    assert again(sizes("12.0")) == 12.0, "a dimmed vest is no other unit"
    assert again(sizes("0")) == 0.0, "nothing drawn has no size"
    old = "".join(line for line in kept.read_text().splitlines(True) if "usual_" not in line)
    kept.write_text(old)
    mapping = read_mapping(kept)
    assert again(sizes("0.150")) == 0.15, "mappings of before have no size"
    kept.write_text(old + "usual_ma = -1\n")
    with pytest.raises(BenchError, match="no mapping"):
        read_mapping(kept)


def test_no_size_is_kept_where_the_heading_names_the_unit(tmp_path: Path) -> None:
    named = sizes("150.0").replace("Voltage,Current", "Voltage (V),Current (mA)")
    assert "usual_" not in kept_sizes(tmp_path, PlanWish(), named).read_text()
    told = PlanWish(units={"current": "A"})  # against the heading: only the user knows it
    text = kept_sizes(tmp_path, told, named.replace("150.0", "0.150")).read_text()
    assert "usual_ma = 150.0" in text
    assert "usual_v" not in text
