"""What axe-core complains of on a page."""

from typing import Final

from playwright.sync_api import Page

ALL_RULES: Final = "{resultTypes: ['violations'], rules: {'target-size': {enabled: true}}}"
CONTRAST: Final = "{resultTypes: ['violations'], runOnly: ['color-contrast']}"
VIOLATIONS: Final = "report => report.violations.map(rule => [rule.id, ...rule.nodes.map(node => node.html)])"


def violations(page: Page, axe: str, rules: str = ALL_RULES) -> list[list[str]]:
    """Return the name of each rule that a page breaks, with the HTML that breaks it."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(axe)
    broken: list[list[str]] = page.evaluate(f"axe.run(document, {rules}).then({VIOLATIONS})")
    return broken
