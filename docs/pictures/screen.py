#!/usr/bin/env python3
"""Makes an SVG of a terminal's picture: `tmux capture-pane -e -N -p | docs/pictures/screen.py COLUMNS > screen.svg`.

Block characters are drawn as rectangles, so that large letters have no gaps whatever the font. Only the styles that the
large screen uses are known; any other stops the script.
"""

import re
import sys
import unicodedata
from html import escape

CELL_W, CELL_H, FONT = 10, 20, 16
PAPER, INK, FAINT = "#14181c", "#d8dde2", "#8a949d"
COLOURS = {
    0: "#14181c", 1: "#c4544d", 2: "#6bb38a", 3: "#d9b44a", 4: "#6c8fc4", 5: "#a97fb5", 6: "#62b5c4", 7: "#d8dde2",
    8: "#5c666f", 9: "#e87a72", 10: "#8fd0aa", 11: "#ecd07a", 12: "#92afdc", 13: "#c9a3d3", 14: "#8ad2de", 15: "#ffffff",
}
# Upper left, upper right, lower left, lower right of U+2596 to U+259F.
QUADRANTS = ["0010", "0001", "1000", "1011", "1001", "1110", "1101", "0100", "0110", "0111"]
# What a code takes away.
OFF = {22: (1, 2), 27: (7,), 39: ("fg",), 49: ("bg",)}
HALVES = {"▀": "1100", "▄": "0011", "█": "1111", "▌": "1010", "▐": "0101"}


def quarters(char):
    """The filled quarters of a block character, or None."""
    if "\u2596" <= char <= "\u259f":
        return QUADRANTS[ord(char) - 0x2596]
    return HALVES.get(char)


def apply(style, codes):
    """The style after one SGR sequence."""
    codes = list(codes)
    while codes:
        code = codes.pop(0)
        if code == 0:
            style = {}
        elif code in (1, 2, 7):
            style = {**style, code: True}
        elif code in OFF:
            style = {key: value for key, value in style.items() if key not in OFF[code]}
        elif 30 <= code <= 37:
            style = {**style, "fg": code - 30}
        elif 40 <= code <= 47:
            style = {**style, "bg": code - 40}
        elif code in (38, 48) and len(codes) >= 2 and codes[0] == 5 and codes[1] in COLOURS:
            style = {**style, "fg" if code == 38 else "bg": codes[1]}
            codes = codes[2:]
        else:
            sys.exit(f"a style this script does not know: {code} {codes}")
    return style


def cells(line, style):
    """(character, columns, style) of a line, and the style at its end: tmux carries it over to the next line."""
    found = []
    for sequence, char in re.findall(r"\x1b\[([0-9;]*)m|([^\x1b])", line):
        if char:
            wide = unicodedata.east_asian_width(char) in "WF"
            found.append((char, 2 if wide else 1, style))
        else:
            style = apply(style, [int(code or 0) for code in sequence.split(";")])
    return found, style


def inks(style):
    """Text colour and background colour (None for the paper)."""
    ink = COLOURS[style["fg"]] if "fg" in style else FAINT if style.get(2) else INK
    back = COLOURS[style["bg"]] if "bg" in style else None
    return (back or PAPER, ink) if style.get(7) else (ink, back)


def rect(x, y, width, height, fill, more=""):
    return f'<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="{fill}"{more}/>'


def row_shapes(row, y):
    """Shapes of one row: backgrounds, then block characters, then runs of text of one style."""
    backs, blocks, texts, run = [], [], [], None
    halves = [[], []]
    column = 0
    for char, wide, style in row:
        x, (ink, back) = column * CELL_W, inks(style)
        if back:
            backs.append((x, wide * CELL_W, back))
        filled = quarters(char)
        if filled:
            for index, bit in enumerate(filled):
                if bit == "1":
                    halves[index // 2].append((x + index % 2 * CELL_W // 2, CELL_W // 2, ink))
        elif char == "░":
            blocks.append(rect(x, y, CELL_W, CELL_H, ink, ' opacity="0.3"'))
        elif char == "─":
            blocks.append(rect(x, y + CELL_H / 2 - 0.5, CELL_W, 1, ink))
        if filled or char in " ░─":
            run = None
        elif run and run[1] == (ink, style.get(1)) and run[3] == x:
            run[2] += char
            run[3] += wide * CELL_W
        else:
            run = [x, (ink, style.get(1)), char, x + wide * CELL_W]
            texts.append(run)
        column += wide
    shapes = [rect(x, y, width, CELL_H, fill) for x, width, fill in merged(backs)]
    for index, half in enumerate(halves):
        top = y + index * CELL_H // 2
        shapes += [rect(x, top, width, CELL_H // 2, fill) for x, width, fill in merged(half)]
    for x, (ink, bold), text, end in texts:
        weight = ' font-weight="bold"' if bold else ""
        shapes.append(
            f'<text x="{x}" y="{y + 15}" textLength="{end - x}" fill="{ink}"{weight}>{escape(text)}</text>'
        )
    return shapes + blocks


def merged(pieces):
    """Neighbours of one colour as one piece."""
    joined = []
    for x, width, fill in sorted(pieces):
        if joined and joined[-1][2] == fill and joined[-1][0] + joined[-1][1] == x:
            joined[-1][1] += width
        else:
            joined.append([x, width, fill])
    return joined


def main():
    columns = int(sys.argv[1])
    lines = sys.stdin.read().splitlines()
    shapes, style = [], {}
    for index, line in enumerate(lines):
        row, style = cells(line, style)
        shapes += row_shapes(row, index * CELL_H)
    width, height, edge = columns * CELL_W, len(lines) * CELL_H, CELL_H // 2
    box = f'viewBox="{-edge} {-edge} {width + 2 * edge} {height + 2 * edge}"'
    print(f'<svg xmlns="http://www.w3.org/2000/svg" {box} font-family="monospace" font-size="{FONT}">')
    print('<g shape-rendering="crispEdges">' + rect(-edge, -edge, width + 2 * edge, height + 2 * edge, PAPER) + "</g>")
    print('<g shape-rendering="crispEdges" text-rendering="geometricPrecision">')
    print("\n".join(shapes))
    print("</g>\n</svg>")


if __name__ == "__main__":
    main()
