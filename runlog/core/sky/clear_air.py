"""How far from a filter's default a clear sky may be in what it takes of the light."""

# The air itself takes about half of the default even over a high and dry mountain; the hazy
# lowland reaches twice it. A steeper slope is cloud that thickened while the target sank.
LOWEST_SHARE, HIGHEST_SHARE = 0.35, 2.5
