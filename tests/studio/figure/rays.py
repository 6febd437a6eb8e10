"""Pictures of what each ray meets on a figure: which part, from any side, without light."""

from __future__ import annotations

import numpy as np

from sim.studio.figure import Figure


def seen_parts(figure: Figure, bearing_deg: float, low_m: float, high_m: float, pixel_m: float) -> np.ndarray:
    """Index of the part met by parallel level rays (rows, columns), -1 for none, looking from a bearing.

    Rows run from `high_m` down to `low_m`, columns over 0.9 m about the sitter.
    """
    import drjit as dr
    import mitsuba as mi

    shapes = {}
    order = []
    for number, part in enumerate(figure.parts):
        mesh = mi.Mesh(f"part_{number}", len(part.points_m), len(part.triangles))
        values = mi.traverse(mesh)
        values["vertex_positions"] = np.ascontiguousarray(part.points_m).ravel()
        values["faces"] = np.ascontiguousarray(part.triangles).ravel()
        values.update()
        shapes[f"part_{number}"] = mesh
        order.append(mesh)
    scene = mi.load_dict({"type": "scene", **shapes}, optimize=False)
    number_of = {int(dr.reinterpret_array(mi.UInt32, mi.ShapePtr(mesh))[0]): k for k, mesh in enumerate(order)}
    angle = np.radians(bearing_deg)
    toward, right = np.array([np.sin(angle), 0, np.cos(angle)]), np.array([np.cos(angle), 0, -np.sin(angle)])
    across, up = np.arange(-0.45, 0.45, pixel_m), np.arange(high_m, low_m, -pixel_m)
    start = 3.0 * toward + across[None, :, None] * right + up[:, None, None] * [0.0, 1.0, 0.0]
    ray = mi.Ray3f(
        mi.Point3f(*(mi.Float(start[..., k].ravel()) for k in range(3))), mi.Vector3f(*(float(-v) for v in toward))
    )
    hit = scene.ray_intersect_preliminary(ray, coherent=True)
    found = np.array(dr.reinterpret_array(mi.UInt32, hit.shape))
    valid = np.array(hit.is_valid())
    table = np.full(max(number_of) + 1, -1)
    for key, value in number_of.items():
        table[key] = value
    return np.where(valid, table[np.minimum(found, len(table) - 1)], -1).reshape(len(up), len(across))
