"""A person at the page of pictures: drops a picture, lays the screen out, says when and where."""

from __future__ import annotations

import base64
import re

from paused_frame import boat_toml, gpx, png


def turn_to(page, address):
    """Open a page of the desk and wait until its buttons answer."""
    page.goto(address)
    page.wait_for_selector("html[data-ready=true]", state="attached")


def drop(page, made):
    """Drop the picture on the page, as a file manager does."""
    data = base64.b64encode(png(made)).decode()
    handle = page.evaluate_handle(
        """b64 => {
            const bytes = Uint8Array.from(atob(b64), c => c.charCodeAt(0));
            const carried = new DataTransfer();
            carried.items.add(new File([bytes], "pause.png", { type: "image/png" }));
            return carried;
        }""",
        data,
    )
    page.dispatch_event(".drop", "drop", {"dataTransfer": handle})
    page.locator("#pictures canvas").first.wait_for()


def lay_out(page, made):
    for label, key in (("range limit stands for", "range_m"), ("centre line", "centre_px"),
                       ("port range limit", "port_limit_px"),
                       ("starboard range limit", "starboard_limit_px")):  # fmt: skip
        field = page.get_by_label(label)
        field.fill(str(made.layout[key]))
        field.blur()
    page.get_by_label("a line takes").select_option("seconds")
    field = page.get_by_label("how much")
    field.fill(str(made.layout["seconds_per_line"]))
    field.blur()


def tell_when_and_where(page, made, folder, moment=None):
    (folder / "trip.gpx").write_bytes(gpx(made))
    (folder / "tern.toml").write_bytes(boat_toml(made))
    field = page.get_by_label("moment, such as")
    field.fill(moment or str(made.newest_time))
    field.blur()
    page.get_by_label("track file").set_input_files(folder / "trip.gpx")
    page.get_by_label("boat file").set_input_files(folder / "tern.toml")
    page.get_by_text(re.compile("^At .* the boat was at")).wait_for()


def on_canvas(made, box):
    """Return a function from the picture's pixels to those of a canvas that shows the whole of it."""
    height, width = made.image.shape
    scale = min(box["width"] / width, box["height"] / height)
    left, top = (box["width"] - width * scale) / 2, (box["height"] - height * scale) / 2
    return lambda x, y: (left + x * scale, top + y * scale)


def on_screen(page, made):
    """Return a function from the picture's pixels to the window's, once the page lies still."""
    canvas = page.locator(".picture canvas")
    canvas.scroll_into_view_if_needed()
    canvas.hover(trial=True)
    box = canvas.bounding_box()
    at = on_canvas(made, box)
    return lambda x, y: (box["x"] + at(x, y)[0], box["y"] + at(x, y)[1])


def point_at(page, made, *points):
    """Click on points of the picture in turn, wherever the page has moved it to by then."""
    canvas = page.locator(".picture canvas")
    for x, y in points:
        left, top = on_canvas(made, canvas.bounding_box())(x, y)
        canvas.click(position={"x": left, "y": top})


def ready(visit, made, folder, **screen):
    page = visit("/pictures", **screen)
    drop(page, made)
    lay_out(page, made)
    tell_when_and_where(page, made, folder)
    return page
