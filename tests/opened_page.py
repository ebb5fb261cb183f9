"""A page opened from its file in a browser, with everything that it said and asked for."""


class Opened:
    """A page opened from its file, with everything that it said and asked for."""

    def __init__(self, browser, path, *, width=1280, scheme="light"):
        self.context = browser.new_context(
            viewport={"width": width, "height": 800}, color_scheme=scheme
        )
        self.page = self.context.new_page()
        self.said, self.asked = [], []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("dialog", lambda dialog: self.said.append(dialog.message))
        # What the page carries in itself is asked of nobody.
        self.page.on(
            "request",
            lambda r: self.asked.append(r.url) if not r.url.startswith("data:") else None,
        )
        self.url = path.as_uri()
        self.page.goto(self.url)
