"""Start texts of five manners, with an end each, as people's files have them; written for these tests."""

from __future__ import annotations

ABSOLUTE = """G21
G90
M82
M140 S60
M104 S205
G28
M190 S60
M109 S205
G92 E0
G1 Z0.3 F600
G1 X3 Y4 F6000
G1 X3 Y38 E4 F900
G92 E0
G1 E-1.5 F2400
"""
INCHES = """G20
G90
M83
G28
M109 S200
G0 Z0.4 F100
G1 X0.1 Y0.2 F200
G1 X0.1 Y1.2 E0.1 F30
"""
RELATIVE_E = """N1 G21 G17*104
N2 M109 S210*99
N3 G28*22
N4 G90*21
N5 M83*17
N6 G1 X2 Y3 Z0.3 F3000*1
N7 G1 X30 E3 F800*1
"""
MACROS = """PRINT_BEGIN NOZZLE=200 BED=55
LINE_PURGE
SET_PRESSURE VALUE=0.02
"""
SCRIPTS = """; начало, 印刷の準備, démarrage, έναρξη
G21 ; миллиметры
M104 S190 (hitze)
M109 S190 ; 加热
G28 ; à l'origine
G91
G1 Z5 F600
"""
END = """M104 S0
M140 S0
G91
M83
G1 E-2 F2400
G1 Z3 F600
G90
G28 X Y
M84
"""
STARTS = {
    "absolute E": ABSOLUTE,
    "inches": INCHES,
    "numbered, M83": RELATIVE_E,
    "macros": MACROS,
    "other scripts, ends relative": SCRIPTS,
}
