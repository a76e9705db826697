use super::*;

fn row(recording: &str) -> Row {
    Row {
        status: Outcome::Aligned,
        message: None,
        duration_s: Some(3600.0),
        events: Some(200),
        events_placed: Some(199),
        u95_median_ms: Some(0.42),
        u95_largest_ms: Some(17.0),
        drift_ppm: Some(25.0),
        packets_received: Some(90),
        packets_missing: Some(10),
        limit: Some("grid".to_owned()),
        link_kind: Some("grid-locked".to_owned()),
        fixed_delay_known: Some(false),
        ..Row::failed(recording.to_owned(), String::new())
    }
}

#[test]
fn foreign_names_and_messages_stay_text() {
    let evil = "a <b>&\"x\"/ü #1?";
    let rows = [row(evil), Row::failed("<i>".to_owned(), "found \"<script>\"".to_owned())];
    let page = page(&rows, &|_| Some("report.html"));
    assert!(page.contains(">a &lt;b&gt;&amp;&quot;x&quot;/ü #1?</a>"), "{page}");
    // RFC 3986: reserved characters and octets beyond ASCII are percent-encoded; ü is C3 BC in UTF-8 (RFC 3629).
    assert!(page.contains("href=\"a%20%3Cb%3E%26%22x%22/%C3%BC%20%231%3F/report.html\""), "{page}");
    assert!(!page.contains("<script") && !page.contains("<i>"));
    assert!(page.contains("found &quot;&lt;script&gt;&quot;"));
    assert!(page.contains("1 aligned, 1 failed"));
}

#[test]
fn a_page_fetches_nothing_and_every_tag_is_closed() {
    let rows = [row("a"), row("b"), Row::failed("c".to_owned(), "no".to_owned())];
    let page = page(&rows, &|_| None);
    for word in ["http:", "https:", "src=", "@import", "url(", "<script", "<link"] {
        assert!(!page.contains(word), "{word}");
    }
    for tag in [
        "html", "head", "style", "body", "table", "thead", "tbody", "tr", "td", "th", "svg", "ul", "li", "p",
        "b",
    ] {
        let begun = page.matches(&format!("<{tag}>")).count() + page.matches(&format!("<{tag} ")).count();
        assert_eq!(begun, page.matches(&format!("</{tag}>")).count(), "{tag}");
    }
    // Each row fills the columns of the heading.
    let heading = page.matches("<th").count() - page.matches("<thead").count();
    let first = page.split("<tbody>").nth(1).unwrap().split("</tr>").next().unwrap();
    assert_eq!(first.matches("<td").count(), heading);
    assert!(page.contains("colspan=\"11\""));
}

#[test]
fn the_scale_reaches_over_whole_decades_and_nothing_leaves_it() {
    let scale = Scale::of(&[row("a")]).unwrap();
    assert!((scale.from_ms - 0.1).abs() < 1e-12 && (scale.to_ms - 100.0).abs() < 1e-9);
    assert!(
        (scale.px(scale.from_ms) - 4.0).abs() < 1e-9 && (scale.px(scale.to_ms) - (WIDE - 4.0)).abs() < 1e-9
    );
    assert!((scale.px(1e-9) - 4.0).abs() < 1e-9);
    assert_eq!((short(0.01), short(100.0)), ("0.01".to_owned(), "100".to_owned()));
    assert!(Scale::of(&[Row::failed("a".to_owned(), String::new())]).is_none());
}
