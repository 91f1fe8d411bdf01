"""Pages: each module turns the book into one kind of page. Charts come from dashboards.charts, HTML from templates."""
