"""What somebody measured on site, read and checked, as facts for the steps.

``overrides.site_overrides`` reads them from the site; ``visit_sheets.answers_of`` makes them of filled-in visit sheets;
``site_facts.measured_site`` puts them into the site.
"""
