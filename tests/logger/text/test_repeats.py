import numpy as np

from logger.text.repeats import repeated_blocks


def test_a_stretch_that_comes_again_is_found_and_a_restart_is_none() -> None:
    volts = np.array([4.5, 4.4, 4.3, 4.2])
    twice = np.concatenate((np.arange(4.0), np.arange(2.0, 6.0)))
    again = repeated_blocks(twice, {"v": np.concatenate((volts, volts[2:], [4.1, 4.0]))})
    assert again.tolist() == [False] * 4 + [True] * 2 + [False] * 2
    restart = np.concatenate((np.arange(4.0), np.arange(4.0)))
    assert not repeated_blocks(restart, {"v": np.concatenate((volts, volts - 0.5))}).any()


def test_a_long_file_with_its_newest_row_first_repeats_nothing() -> None:
    time_s = np.arange(2_000_000.0)[::-1]  # minutes, if each row were looked for in all above
    assert not repeated_blocks(time_s, {"v": np.linspace(3.0, 4.5, len(time_s))}).any()
