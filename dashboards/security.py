"""What the browser is told and which requests are refused: one hook before, one after.

Dash sets no security header of its own and lets a POST of another site reach its dispatcher.
"""

from __future__ import annotations

from urllib.parse import urlsplit

from dash import Dash
from flask import Flask, Request, Response, abort, request

UNSAFE_METHODS = ("POST", "PUT", "PATCH", "DELETE")
ASK_FOR_A_TOKEN = ("http_interface",)
"""Parts that trust nothing a browser sends by itself: a page of another site has no token to show."""
LARGEST_REQUEST_BYTES = 4 * 1024 * 1024


def content_security_policy(script_hashes: list[str]) -> str:
    """The policy: everything from here, inline scripts by digest alone.

    Inline styles are admitted because the figure and control libraries write them.
    """
    scripts = " ".join(["'self'", *script_hashes])
    return "; ".join(
        (
            "default-src 'self'",
            f"script-src {scripts}",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self' data:",
            "connect-src 'self'",
            "object-src 'none'",
            "base-uri 'self'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


def is_cross_site(incoming: Request) -> bool:
    """Whether a request that changes something was sent by a page of another origin."""
    if incoming.method not in UNSAFE_METHODS:
        return False
    site = incoming.headers.get("Sec-Fetch-Site")
    if site is not None and site not in ("same-origin", "none"):
        return True
    origin = incoming.headers.get("Origin")
    return origin is not None and urlsplit(origin).netloc != incoming.host


def protect(app: Dash) -> None:
    """Add both hooks to the server of `app`; call after every callback is registered."""
    server: Flask = app.server
    server.config["MAX_CONTENT_LENGTH"] = LARGEST_REQUEST_BYTES
    policy = content_security_policy(list(app.csp_hashes()))

    @server.before_request
    def refuse_cross_site() -> None:
        if request.blueprint not in ASK_FOR_A_TOKEN and is_cross_site(request):
            abort(403, "This request came from a page of another site and was refused.")

    @server.after_request
    def add_headers(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Permissions-Policy"] = "camera=(), geolocation=(), microphone=()"
        if "/assets/" not in request.path and "/_dash-component-suites/" not in request.path:
            response.headers["Cache-Control"] = "no-store"
        return response
