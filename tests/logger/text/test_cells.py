from logger.text.cells import fit


def test_only_empty_cells_beyond_the_columns_are_taken_off() -> None:
    cells = ["0", "4.5", "", ""]
    assert fit(cells, 3) == ["0", "4.5", ""]
    assert fit(cells, 1) == ["0", "4.5"]
    assert fit(cells, 4) == cells
    assert fit(["0", "", "4.5", ""], 1) == ["0", "", "4.5"]
    assert cells == ["0", "4.5", "", ""]


def test_a_line_of_nothing_but_delimiters_is_fitted_in_one_pass() -> None:
    assert fit([""] * 2_000_000, 3) == [""] * 3  # hours, if every cell copied the rest
