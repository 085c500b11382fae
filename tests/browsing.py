"""Pages made by the tool, opened in a browser without a network, and what a page must not hold."""

import re

FETCHES = re.compile(r"\bfetch\(|XMLHttpRequest|WebSocket|sendBeacon|importScripts|import\(|@import|url\(")
MARKUP = re.compile(r"innerHTML|insertAdjacent|outerHTML|document\.write|\beval\(|new Function|srcdoc")


def block_of(text):
    """Data a page carries, as they are packed."""
    return re.search(r'<script type="text/plain" id="ground-data">(.*?)</script>', text, re.DOTALL).group(1)


class Visit:
    """One page opened from a file without a network, with all it said and asked for."""

    def __init__(self, browser, path, width=1280, height=800, anchor="", before="", **more):
        self.context = browser.new_context(viewport={"width": width, "height": height}, offline=True, **more)
        if before:
            self.context.add_init_script(before)
        self.page = self.context.new_page()
        self.said, self.requests, self.dialogs = [], [], []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("dialog", lambda dialog: (self.dialogs.append(dialog.message), dialog.dismiss()))
        self.page.goto(path.as_uri() + anchor)
        self.page.wait_for_selector("body[data-ready=yes]", timeout=15_000)

    def settle(self):
        """Wait until every tile is drawn."""
        for _ in range(200):
            self.page.wait_for_timeout(25)
            if not self.page.evaluate("!!document.querySelector('.leaflet-tile:not(.leaflet-tile-loaded)')"):
                return
