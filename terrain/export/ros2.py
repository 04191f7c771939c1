"""ROS 2 bag (MCAP): grid, cells, patches and the frame they are in, without ROS."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from terrain.data import Label
from terrain.export.ply import COLOURS
from terrain.export.source import Cells, Points, Source
from terrain.maps.answers import CAUTION
from terrain.maps.words import BIT_WORDS

FRAME, PARENT = "terrain_origin", "map"
OCCUPANCY = {Label.UNOBSERVED: -1, Label.STEPPABLE: 0, Label.MARGINAL: 50, Label.UNSTEPPABLE: 100}
"""What an OccupancyGrid cell says: no probability, but the label on a scale; unobserved is unknown."""
FIELDS = (
    ("x", 0, "FLOAT32", "<f4"),
    ("y", 4, "FLOAT32", "<f4"),
    ("z", 8, "FLOAT32", "<f4"),
    ("label", 12, "UINT8", "u1"),
    ("level", 14, "INT16", "<i2"),
    ("reasons", 16, "UINT16", "<u2"),
    ("patch_id", 20, "INT32", "<i4"),
)
VERSION: Final = 8
"""Of the bag's metadata: from 9 on qualities of service are lists of words, which ROS 2 Humble and Iron refuse to open
(ros2/rosbag2, issues 1895 and 2013); newer ones read older metadata."""
_POINT_BYTES = 24
_LINE_M, _TEXT_M = 0.015, 0.06


def write_bag(folder: Path, source: Source) -> None:
    """Write a rosbag2 folder, MCAP storage, that must not exist yet.

    Topics: `/terrain/level_N/grid` nav_msgs/OccupancyGrid, one a level; `/terrain/cells` sensor_msgs/PointCloud2 with
    label, reasons, level and patch; `/terrain/patches` visualization_msgs/MarkerArray, outlines and what is said of
    them; `/terrain/patch_outlines` geometry_msgs/PolygonStamped, one message a patch in the order of patch_id;
    `/terrain/about` std_msgs/String, JSON with scale and meanings; `/tf_static`. All geometry is in frame
    `terrain_origin`, whole metres from `map`, because these messages hold float32.
    """
    from rosbags.rosbag2 import StoragePlugin, Writer
    from rosbags.typesys import Stores, get_typestore

    store = get_typestore(Stores.ROS2_HUMBLE)
    messages = _Messages(store.types, source)
    with Writer(folder, version=VERSION, storage_plugin=StoragePlugin.MCAP) as writer:
        topics: dict[str, Any] = {}
        for topic, message in messages.all():
            kind = message.__msgtype__
            if topic not in topics:
                topics[topic] = writer.add_connection(topic, kind, typestore=store, offered_qos_profiles=[_latched()])
            writer.write(topics[topic], messages.stamp_ns, store.serialize_cdr(message, kind))


def _latched() -> Any:
    """Return the quality of service of what late subscribers get too."""
    from rosbags.interfaces import Qos, QosDurability, QosHistory, QosLiveliness, QosReliability, QosTime

    never = QosTime(2147483647, 4294967295)
    return Qos(
        QosHistory.KEEP_ALL,
        0,
        QosReliability.RELIABLE,
        QosDurability.TRANSIENT_LOCAL,
        never,
        never,
        QosLiveliness.AUTOMATIC,
        never,
        False,
    )


class _Messages:
    """Builds the messages of one map, all with the time at which the map was made."""

    def __init__(self, types: Any, source: Source) -> None:
        self._types = types
        self._source = source
        created = datetime.fromisoformat(source.terrain_map.manifest["created"])
        self.stamp_ns = int(created.timestamp()) * 1_000_000_000
        grid = source.terrain_map.ground.grid
        middle = np.array([grid.x0_m + 0.5 * grid.nx * grid.cell_m, grid.y0_m + 0.5 * grid.ny * grid.cell_m, grid.z0_m])
        self._origin_m = np.round(middle)

    def _make(self, name: str, *values: Any, **named: Any) -> Any:
        package, kind = name.split("/")
        return self._types[f"{package}/msg/{kind}"](*values, **named)

    def all(self) -> Any:
        """Yield topic and message."""
        yield "/tf_static", self._transform()
        yield "/terrain/about", self._make("std_msgs/String", self._about())
        for cells in self._source.cells():
            yield f"/terrain/level_{cells.raster.level}/grid", self._grid(cells)
        yield "/terrain/cells", self._cloud(self._source.points("cells"))
        yield "/terrain/patches", self._markers()
        for outline in self._source.patches().outline:
            yield "/terrain/patch_outlines", self._polygon(outline)

    def _about(self) -> str:
        terrain_map = self._source.terrain_map
        return json.dumps(
            {
                "survey": terrain_map.name,
                "foot": terrain_map.foot.name,
                "map_version": terrain_map.version,
                "occupancy": {label.word: value for label, value in OCCUPANCY.items()},
                "occupancy_is": "the label of the best yaw on a scale, not a probability",
                "label": {label.word: label.value for label in Label},
                "reasons": BIT_WORDS,
                "limits": terrain_map.manifest["limits"],
                "caution": CAUTION,
            }
        )

    def _header(self) -> Any:
        stamp = self._make("builtin_interfaces/Time", self.stamp_ns // 1_000_000_000, 0)
        return self._make("std_msgs/Header", stamp, FRAME)

    def _pose(self, x: float = 0.0, y: float = 0.0, z: float = 0.0) -> Any:
        point = self._make("geometry_msgs/Point", x, y, z)
        return self._make("geometry_msgs/Pose", point, self._make("geometry_msgs/Quaternion", 0.0, 0.0, 0.0, 1.0))

    def _transform(self) -> Any:
        header = self._header()
        header.frame_id = PARENT
        move = self._make("geometry_msgs/Vector3", *self._origin_m.tolist())
        turn = self._make("geometry_msgs/Quaternion", 0.0, 0.0, 0.0, 1.0)
        transform = self._make("geometry_msgs/Transform", move, turn)
        return self._make(
            "tf2_msgs/TFMessage", [self._make("geometry_msgs/TransformStamped", header, FRAME, transform)]
        )

    def _grid(self, cells: Cells) -> Any:
        raster = cells.raster
        ny, nx = raster.label.shape
        scale = np.array([OCCUPANCY[label] for label in Label], dtype=np.int8)
        label = np.where(np.isnan(raster.label), 0, raster.label).astype(np.int64)
        height = float(np.median(cells.take("height_m"))) if len(cells) else float(self._origin_m[2])
        corner = self._pose(*(np.array([raster.x0_m, raster.y0_m, height]) - self._origin_m).tolist())
        header = self._header()
        info = self._make("nav_msgs/MapMetaData", header.stamp, np.float32(raster.cell_m), nx, ny, corner)
        return self._make("nav_msgs/OccupancyGrid", header, info, scale[label].ravel())

    def _cloud(self, points: Points) -> Any:
        kind = self._types["sensor_msgs/msg/PointField"]
        fields = [kind(name, offset, getattr(kind, word), 1) for name, offset, word, _ in FIELDS]
        rows = np.zeros(
            len(points),
            dtype=np.dtype(
                {
                    "names": [name for name, *_ in FIELDS],
                    "formats": [numpy_type for *_, numpy_type in FIELDS],
                    "offsets": [offset for _, offset, *_ in FIELDS],
                    "itemsize": _POINT_BYTES,
                }
            ),
        )
        for k, name in enumerate("xyz"):
            rows[name] = points.xyz_m[:, k] - self._origin_m[k]
        for name in ("label", "level", "reasons", "patch_id"):
            rows[name] = getattr(points, name)
        row_bytes = _POINT_BYTES * len(points)
        return self._make(
            "sensor_msgs/PointCloud2",
            *(self._header(), 1, len(points), fields, False, _POINT_BYTES, row_bytes, rows.view(np.uint8), True),
        )

    def _markers(self) -> Any:
        table = self._source.patches()
        markers = []
        for k in range(len(table)):
            label = Label(table.label[k])
            colour = self._make("std_msgs/ColorRGBA", *(v / 255.0 for v in COLOURS[label]), 1.0)
            number, outline = int(table.patch_id[k]), table.outline[k]
            for ring, line in enumerate((outline.exterior, *outline.interiors)):
                points = [self._make("geometry_msgs/Point", *row) for row in (_xyz(line) - self._origin_m).tolist()]
                name = f"{label.word} outline" if ring == 0 else f"{label.word} hole {ring}"
                markers.append(self._marker(name, number, "LINE_STRIP", self._pose(), _LINE_M, colour, points, ""))
            at = outline.representative_point()
            z = float(_xyz(outline.exterior)[:, 2].mean()) + _TEXT_M
            pose = self._pose(*(np.array([at.x, at.y, z]) - self._origin_m).tolist())
            text = f"{number} {label.word} {';'.join(table.reasons[k])}".rstrip()
            markers.append(self._marker("words", number, "TEXT_VIEW_FACING", pose, _TEXT_M, colour, [], text))
        return self._make("visualization_msgs/MarkerArray", markers)

    def _marker(
        self, name: str, number: int, kind: str, pose: Any, size: float, colour: Any, points: list[Any], text: str
    ) -> Any:
        marker = self._types["visualization_msgs/msg/Marker"]
        stamp = self._make("builtin_interfaces/Time", 0, 0)
        return marker(
            header=self._header(),
            ns=name,
            id=number,
            type=getattr(marker, kind),
            action=marker.ADD,
            pose=pose,
            scale=self._make("geometry_msgs/Vector3", size, size, size),
            color=colour,
            lifetime=self._make("builtin_interfaces/Duration", 0, 0),
            frame_locked=False,
            points=points,
            colors=[],
            texture_resource="",
            texture=self._make("sensor_msgs/CompressedImage", self._header_at(stamp), "", np.empty(0, dtype=np.uint8)),
            uv_coordinates=[],
            text=text,
            mesh_resource="",
            mesh_file=self._make("visualization_msgs/MeshFile", "", np.empty(0, dtype=np.uint8)),
            mesh_use_embedded_materials=False,
        )

    def _header_at(self, stamp: Any) -> Any:
        return self._make("std_msgs/Header", stamp, "")

    def _polygon(self, outline: Any) -> Any:
        corners = (_xyz(outline.exterior)[:-1] - self._origin_m).tolist()
        points = [self._make("geometry_msgs/Point32", *map(np.float32, row)) for row in corners]
        return self._make("geometry_msgs/PolygonStamped", self._header(), self._make("geometry_msgs/Polygon", points))


def _xyz(line: Any) -> Any:
    import shapely

    return shapely.get_coordinates(line, include_z=True)
