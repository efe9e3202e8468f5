"""The listening page: what it shows (`content`), how it is put together (`build`), what listeners send back (`votes`).

Beside the modules lie the parts of the page as a browser reads them: `template.html`, `styles.css` and, in `script/`,
one file a subject, each an ECMAScript module.
"""
