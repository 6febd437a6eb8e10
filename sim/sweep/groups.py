"""Variations that share traced light, as groups of work: heaviest first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sim.sweep.setup import Group, GroupRequest, VariationJob
from sim.sweep.variations import Variation

# Processor seconds, measured on one core of a common server in 2026: per million camera rays of a first and of
# each further light; per million rays of meters; building the set; per million pixels that are cleaned, and that are
# mixed, checked and written.
RAYS_S, MORE_LIGHT_S, METER_S, BUILD_S, CLEAN_S, MIX_S, CHECK_S = 0.75, 0.25, 2.2, 0.8, 1.4, 0.3, 1.5


def groups_of(variations: Iterable[Variation], request: GroupRequest, file: str) -> list[Group]:
    """Groups of the variations that can stand, each content once, heaviest first."""
    by_key: dict[str, dict[str, Variation]] = {}
    for variation in variations:
        if not variation.refused:
            by_key.setdefault(variation.group, {}).setdefault(variation.id, variation)
    groups = [group_from_members(key, list(members.values()), request, file) for key, members in by_key.items()]
    return sorted(groups, key=lambda group: (-group.cost_s, group.key))


def group_from_members(key: str, members: Sequence[Variation], request: GroupRequest, file: str) -> Group:
    """One group of work."""
    variations = tuple(VariationJob(member.id, member.text, member.emissions) for member in members)
    trace_s, mix_s = trace_cost_s(request, variations), mix_cost_s(request)
    return Group(key, file, variations, dict(members[0].files), trace_s + mix_s * len(variations), trace_s)


def trace_cost_s(request: GroupRequest, variations: Sequence[VariationJob]) -> float:
    """Expected processor time to trace a group: every light's every emission once."""
    layers = [
        len({variation.emissions[light] for variation in variations}) for light in range(len(variations[0].emissions))
    ]
    pixels = request.size[0] * request.size[1] / 1e6
    passes = max(layers, default=1)
    rays = RAYS_S * passes + MORE_LIGHT_S * (sum(layers) - passes)
    return BUILD_S + pixels * request.samples * rays + passes * 50 * request.meter_rays / 1e6 * METER_S + (
        sum(layers) * pixels * CLEAN_S
    )  # fmt: skip


def mix_cost_s(request: GroupRequest) -> float:
    """Expected processor time of one variation of a traced group."""
    pixels = request.size[0] * request.size[1] / 1e6
    return 0.03 + pixels * (MIX_S + (CHECK_S if "checks" in request.keep else 0.0))


def chunks_of(variations: Sequence[VariationJob], most: int) -> list[tuple[VariationJob, ...]]:
    """Variations in chunks of at most `most`, as even as can be."""
    count = -(-len(variations) // most)
    return [tuple(variations[index::count]) for index in range(count)]
