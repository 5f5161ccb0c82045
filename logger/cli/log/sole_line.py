"""A sole drawn as one line of text: where strikes touched between heel and toe."""

from __future__ import annotations

from collections.abc import Sequence


def sole_line(
    contacts_mm: Sequence[float],
    *,
    width: int = 41,
    half_length_mm: float = 40.0,
    mean_mm: float | None = None,
    interval_mm: tuple[float, float] | None = None,
    toe_on_right: bool = True,
    plain: bool = False,
) -> str:
    """Draw contacts on a sole seen from above, heel at one end and toe at the other.

    Parameters
    ----------
    contacts_mm
        toe_mm of each strike; what lies beyond the sole is drawn at its end as an arrow.
    width
        Columns between the two ends.
    half_length_mm
        From the middle of the sole to its end.
    mean_mm, interval_mm
        Drawn over the strikes if given.
    toe_on_right
        False for a left-hander, who looks at the sole the other way round.
    plain
        ASCII only.
    """
    dot, many, mean, bar, rail = ("o", "8", "#", "=", "-") if plain else ("•", "◉", "◆", "━", "─")
    columns = [rail] * width
    columns[width // 2] = "|" if plain else "┼"

    def column(mm: float) -> int:
        share = (mm / half_length_mm + 1) / 2
        return min(width - 1, max(0, round(share * (width - 1))))

    if interval_mm is not None:
        for index in range(column(interval_mm[0]), column(interval_mm[1]) + 1):
            columns[index] = bar
    seen: dict[int, int] = {}
    for mm in contacts_mm:
        index = column(mm)
        seen[index] = seen.get(index, 0) + 1
        if abs(mm) > half_length_mm:
            columns[index] = "<" if mm < 0 else ">"
        else:
            columns[index] = dot if seen[index] == 1 else many
    if mean_mm is not None:
        columns[column(mean_mm)] = mean
    heel_end, toe_end = ("[", "]") if plain else ("├", "┤")
    if toe_on_right:
        return f"heel {heel_end}{''.join(columns)}{toe_end} toe"
    turned = ["<" if c == ">" else ">" if c == "<" else c for c in reversed(columns)]
    return f"toe {heel_end}{''.join(turned)}{toe_end} heel"
