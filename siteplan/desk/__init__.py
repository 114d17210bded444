"""The desk: a page on the person's own machine to draw beds and watch the takeoff follow."""
