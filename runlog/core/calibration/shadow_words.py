"""The sentences about the shadows of dust."""


def not_in_lights(depth: float, share: float, error: float, night: str) -> str:
    """Say that the lights do not have the shadows of their flats."""
    return (
        f"their dust is not that of the lights of {night}: of its shadows, {depth:.1%} deep, "
        f"the lights have {share:.0%} (give or take {error:.0%}): the camera was "
        "turned, dust moved, or the flats are of another set-up"
    )


def moved_since(depth: float, share: float, night: str) -> str:
    """Say that a later set of flats does not have the shadows of an earlier one."""
    return (
        f"dust moved, or the camera was turned, since the flats of {night}: of their shadows, "
        f"{depth:.1%} deep, these have {max(share, 0.0):.0%}"
    )


def unknown(why: str) -> str:
    """Say that nothing can be said of dust, and why."""
    return f"whether their dust is that of the lights is unknown, because {why}"


NO_PICTURE = "no picture of them is stored: they were scanned by an earlier version"
FEW_LIGHTS = "fewer than 3 kept raw lights of the last night have a picture and a known zero level"
NOISY = "stars, sky and noise of the lights hide it"
NO_DUST = "they show no shadow"
