"""The bench screen: a page in the browser, a window on the control process."""
