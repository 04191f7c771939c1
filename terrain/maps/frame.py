"""The map frame as the coordinate systems of GIS files: local, Cartesian, metres, tied to no place on Earth."""

ENGINEERING_WKT = (
    'ENGCRS["terrain map frame",EDATUM["origin of the survey\'s map frame"],CS[Cartesian,2],'
    'AXIS["x",east,ORDER[1]],AXIS["y",north,ORDER[2]],LENGTHUNIT["metre",1]]'
)
"""WKT 2 (ISO 19162), two axes: GeoPackage readers take a three-axis one for unknown. East and north are nominal."""

ENGINEERING_WKT1 = (
    'LOCAL_CS["terrain map frame",LOCAL_DATUM["origin of the survey\'s map frame",32767],UNIT["metre",1],'
    'AXIS["x",EAST],AXIS["y",NORTH]]'
)
"""WKT 1 (OGC 01-009), which LAS 1.4 asks for."""
