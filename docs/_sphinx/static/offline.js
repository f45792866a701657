/* A browser lets a page from the disk read no other page, so the search shows titles alone there. */
if (location.protocol === "file:") DOCUMENTATION_OPTIONS.SHOW_SEARCH_SUMMARY = false;
