"""Small charts of the first page: a few bars with their numbers, drawn without a script."""

from __future__ import annotations

from markupsafe import Markup, escape

from reports import style

ROW_PX = 22
NAME_PX = 150
BAR_PX = 150
VALUE_PX = 56


def bars(heading: str, names: list[str], values: list[float], decimals: int) -> Markup:
    """Bars of some values from a common zero, each with its name and number; nothing where there is no value.

    Parameters
    ----------
    heading
        What is drawn, with its unit and period.
    names, values
        A bar each, in their order.
    decimals
        Decimals of the numbers.

    Notes
    -----
    Checked by: tests/unit/test_reports_index.py
    """
    if not names:
        return Markup("")
    low, high = min(0.0, *values), max(0.0, *values)
    scale = BAR_PX / ((high - low) or 1.0)
    zero = NAME_PX + 8 - low * scale
    lines = []
    for place, (name, value) in enumerate(zip(names, values, strict=True)):
        y, length = place * ROW_PX, abs(value) * scale
        left = zero if value >= 0 else zero - length
        lines.append(
            f'<text x="{NAME_PX}" y="{y + 15}" text-anchor="end">{escape(name)}</text>'
            f'<rect x="{left:.1f}" y="{y + 4}" width="{max(length, 1):.1f}" height="14"/>'
            f'<text x="{NAME_PX + BAR_PX + 16}" y="{y + 15}">{style.number(value, decimals)}</text>'
        )
    width, height = NAME_PX + BAR_PX + VALUE_PX + 16, len(names) * ROW_PX + 4
    said = "; ".join(f"{name} {style.number(value, decimals)}" for name, value in zip(names, values, strict=True))
    return Markup(
        f'<figcaption>{escape(heading)}</figcaption><svg class="bars" viewBox="0 0 {width} {height}" role="img" '
        f'aria-label="{escape(heading)}: {escape(said)}">{"".join(lines)}</svg>'
    )
