"""The page: one file that shows a part in its recess in any browser, without a network.

`layers` prepares the meshes, `pack` makes them small, `cuts` and `plots` draw, `content` words, `fill` puts it all into the
template under a policy that forbids the page every request. What runs in the browser is `viewer.min.js`, built from `web/src`.
"""


from mountgen.page.draw import Sight, draw_page, prepare_sight
from mountgen.page.layers import pack_scan
from mountgen.page.pack import Packed

__all__ = ["Packed", "Sight", "draw_page", "pack_scan", "prepare_sight"]
