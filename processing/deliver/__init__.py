"""Documents made from a plan: pages, sheets, quotes, drawings, points and calendars."""
