"""What people open: pictures, maps, workbooks and pages."""
